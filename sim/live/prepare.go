package live

import (
	"errors"
	"fmt"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// MaxBridges bounds the bridges of one sender.
const MaxBridges = 256

// Desk is how a live run differs from its scenario.
type Desk struct {
	Span    time.Duration  // of the run; what is counted begins later, see [scenarios.Plan.Window]
	Bridges int            // equal bridges with set identifiers of their own; 0 = 1
	Weather *radio.Weather // that every display meets; nil = none
	Handler *time.Duration // of every display; nil = the scenario's
	Draw    *time.Duration
	Queue   *int
}

// Prepare returns the plan of a live run. Its simulation is the prediction of what
// a listener measures: the ideal profile with the air times of the scenario's
// radio, send time and record ages in the layout, every display on from the start,
// no weather but the desk's, nobody else on the air. The plan given is only read.
func Prepare(plan *scenarios.Plan, d Desk) (*scenarios.Plan, error) {
	p := *plan
	p.Radio = radio.IdealLike(plan.Radio)
	p.Background, p.Phases, p.Common, p.Neighbours = nil, nil, nil, nil
	p.Bridge.Layout.SendTime, p.Bridge.Layout.RecordAges = true, true
	if d.Weather != nil {
		w := d.Weather.On(plan.Radio)
		p.Common = &w
	}
	p.Receivers = append([]scenarios.Receiver(nil), plan.Receivers...)
	for i := range p.Receivers {
		r := &p.Receivers[i]
		r.PowerUp, r.Weather = 0, radio.Weather{}
		if d.Handler != nil {
			r.Handler = *d.Handler
		}
		if d.Draw != nil {
			r.Draw = *d.Draw
		}
		if d.Queue != nil {
			r.Queue = *d.Queue
		}
	}
	p.Duration = max(d.Span-warmUp(&p), time.Millisecond)
	if n := max(1, d.Bridges); n > 1 {
		last := int(p.Bridge.Layout.Set) + n - 1
		if n > MaxBridges || last > 65535 {
			return nil, fmt.Errorf("%d bridges: at most %d, with set identifiers up to 65535, found %d", n, MaxBridges, last)
		}
		other := scenarios.Neighbour{Name: "bridge", Count: n - 1, Vehicle: p.Vehicle}
		other.Bridge.Layout.Set++
		p.Neighbours = []scenarios.Neighbour{other}
	}
	return &p, fits(&p)
}

// warmUp is when the last display begins to count.
func warmUp(p *scenarios.Plan) (latest time.Duration) {
	from, _ := p.Window()
	for _, at := range from {
		latest = max(latest, at)
	}
	return latest
}

// fits sees that the records have room for what the live layout adds to them.
func fits(p *scenarios.Plan) error {
	var errs []error
	codec := bridge.NewCodec(p.Bridge.Layout, p.Bridge.Forward)
	for slot, f := range p.Bridge.Forward {
		if n := codec.HeaderSize() + codec.RecordSize(slot, f.Length); n > p.Bridge.MaxPayload {
			errs = append(errs, fmt.Errorf("with send time and age the record of %s takes a broadcast of %d bytes, but the radio carries %d", f.ID, n, p.Bridge.MaxPayload))
		}
	}
	return errors.Join(errs...)
}

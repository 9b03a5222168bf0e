package sim

import (
	"errors"
	"io"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/scenarios"
)

// OverrunRun says how long a controller that nobody empties takes what comes,
// over all instants of some traffic at which the processor could stop.
type OverrunRun struct {
	Least, Mean time.Duration // from the stop to the first lost frame
	Lost        bool          // it came to a loss at all: Least and Mean are defined
}

// longestLook bounds the traffic that is looked at.
const longestLook = 60 * time.Second

// Overruns offers the traffic of the first replication, up to a minute of it, to
// controllers that nobody empties. span is the time looked at.
func Overruns(plan *scenarios.Plan, controllers ...bridge.Controller) (runs []OverrunRun, span time.Duration, err error) {
	source, err := plan.Bus.Source(scenarios.Streams{Seed: plan.Seed}, make([]bool, len(plan.Bus.Messages)), nil)
	if err != nil {
		return nil, 0, err
	}
	if c, ok := source.(io.Closer); ok {
		defer func() { err = errors.Join(err, c.Close()) }()
	}
	_, span = plan.Window()
	span = min(span, longestLook)
	var meters []*bridge.OverrunMeter
	for _, c := range controllers {
		meters = append(meters, bridge.NewOverrunMeter(c))
	}
	var f bus.Frame
	for source.Next(&f) && f.At <= span {
		for _, m := range meters {
			m.Receive(&f)
		}
	}
	if s, ok := source.(interface{ Err() error }); ok && s.Err() != nil {
		return nil, 0, s.Err()
	}
	for _, m := range meters {
		least, mean, lost := m.Result()
		runs = append(runs, OverrunRun{least, mean, lost})
	}
	return runs, span, nil
}

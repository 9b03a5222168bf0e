package study

import (
	"slices"

	"stalegauge/bus/response"
	"stalegauge/sim"
)

// BusMessage is how long a message of the message set waits for the bus and is on
// it, from its release to its reception, in seconds.
type BusMessage struct {
	Name, ID string
	Listed   bool    // on the forward list
	Frames   uint64  // all replications
	Mean     float64 // simulated, over all frames
	Max      float64 // simulated, of all frames
	// Bound is what no frame can exceed, where Bounded is true: see package
	// response. It speaks of frames with the most stuff bits and of releases that
	// all fall together, which need not happen in a run.
	Bound   float64
	Bounded bool
}

func (p *pool) addWaits(waits []sim.BusWait) {
	if p.waits == nil {
		p.waits = slices.Clone(waits)
		return
	}
	for i, w := range waits {
		p.waits[i].Frames += w.Frames
		p.waits[i].Sum += w.Sum
		p.waits[i].Max = max(p.waits[i].Max, w.Max)
	}
}

// busMessages sets the simulated waits beside their bounds.
func (p *pool) busMessages(r *Result) {
	if p.waits == nil {
		return
	}
	b := &p.plan.Bus
	set, open := response.Of(response.Bus{
		Messages: b.Messages, BitRate: b.BitRate, DataBitRate: b.DataBitRate,
		Timeline: b.Timeline, BitErrorRate: b.BitErrorRate,
	})
	r.BusOpen = open
	listed := map[string]bool{}
	for _, f := range p.plan.Bridge.Forward {
		listed[f.ID.String()] = true
	}
	for i, bound := range response.Analyze(set) {
		w := &p.waits[i]
		m := BusMessage{
			Name: b.Messages[i].Name, ID: b.Messages[i].ID.String(), Frames: w.Frames, Max: seconds(w.Max),
			Bound: seconds(bound.Latency), Bounded: bound.Bounded && len(set.Messages[i].Releases) > 0,
		}
		m.Listed = listed[m.ID]
		if w.Frames > 0 {
			m.Mean = seconds(w.Sum) / float64(w.Frames)
		}
		r.BusMessages = append(r.BusMessages, m)
	}
}

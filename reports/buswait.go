package reports

import (
	"fmt"

	"stalegauge/sim/study"
)

// busWaits writes how long the messages of the forward list wait for the bus,
// beside what the wait cannot exceed.
func busWaits(p *page, r *study.Result) {
	if len(r.BusMessages) == 0 {
		return
	}
	p.heading("Bus: from release to reception, ms, and what it cannot exceed")
	t := newTable(p, "message", "id", "frames", "mean", "longest\nsimulated", "bound", "longest,\n% of bound")
	t.left(2)
	rest, worst := 0, &study.BusMessage{}
	unbounded := 0
	for i := range r.BusMessages {
		m := &r.BusMessages[i]
		if !m.Bounded {
			unbounded++
		}
		if !m.Listed {
			rest++
			if m.Bound > worst.Bound {
				worst = m
			}
			continue
		}
		t.row(clean(m.Name), m.ID, count(m.Frames), millis(m.Mean, m.Frames > 0), millis(m.Max, m.Frames > 0),
			millis(m.Bound, m.Bounded), bare(m.Max/m.Bound, m.Bounded && m.Frames > 0))
	}
	t.write()
	if worst.Bound > 0 {
		p.paragraph("  ", fmt.Sprintf("Of the %s not forwarded %s has the highest bound, %s (simulated %s).",
			plural(rest, "message"), worst.ID, span(worst.Bound, true), span(worst.Max, worst.Frames > 0)))
	}
	if unbounded > 0 {
		p.paragraph("  ! ", fmt.Sprintf("%s without a bound: the bus is too full for them, or they may be released at any distance.", plural(unbounded, "message")))
	}
	for _, open := range r.BusOpen {
		p.paragraph("  ! ", "not covered by the bounds: "+open)
	}
}

type jsonBusMessage struct {
	ID        string   `json:"id"`
	Name      string   `json:"name"`
	Forwarded bool     `json:"forwarded"`
	Frames    uint64   `json:"frames"`
	Mean      *float64 `json:"mean_s"`
	Max       *float64 `json:"max_s"`
	Bound     *float64 `json:"bound_s"` // null: there is none
}

// busLatency is the same for programs, with all messages.
func busLatency(r *study.Result) []jsonBusMessage {
	list := []jsonBusMessage{}
	for i := range r.BusMessages {
		m := &r.BusMessages[i]
		j := jsonBusMessage{ID: m.ID, Name: m.Name, Forwarded: m.Listed, Frames: m.Frames}
		if m.Frames > 0 {
			j.Mean, j.Max = figure(m.Mean), figure(m.Max)
		}
		if m.Bounded {
			j.Bound = figure(m.Bound)
		}
		list = append(list, j)
	}
	return list
}

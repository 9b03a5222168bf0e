package reports

import (
	"fmt"
	"math"

	"stalegauge/sim/study"
)

// comparePair writes one pair: overall, then signal by signal.
func comparePair(p *page, c *study.Comparison, pair *study.Pair) {
	a, b := c.Designs[pair.A].Name, c.Designs[pair.B].Name
	p.heading(fmt.Sprintf("%s less %s, ages averaged over the signals that both have shown (%s)", b, a, marksExplained))
	t := newTable(p, "figure", cut(a, 12), cut(b, 12), "difference", "low..high", "")
	ms := func(v float64, ok bool) string { return millis(v, ok) }
	signedMs := signedMillis
	share := func(v float64, ok bool) string { return signed(number(v*100, ok, ""), v) }
	plain := func(v float64, ok bool) string { return signed(number(v, ok, ""), v) }
	row := func(name string, d study.Paired, write, difference func(float64, bool) string, fresh bool) {
		sign := ""
		if fresh {
			sign = mark(d)
		}
		t.row(name, infinite(d.A, write), infinite(d.B, write), difference(d.Difference.Value, d.Difference.Defined), lowHigh(d.Difference, difference), sign)
	}
	o := &pair.Overall
	row("mean age, ms", o.Mean, ms, signedMs, true)
	row("p95, ms", o.P95, ms, signedMs, true)
	row("p99, ms", o.P99, ms, signedMs, true)
	row("over the limit, % of the time", o.OverLimit, share, share, true)
	row("unknown, % of the time", o.Unknown, share, share, false)
	for _, r := range []struct {
		name  string
		value study.Paired
	}{{"late, % of the changes", o.Late}, {"wrong value, % of the time", o.Wrong}} {
		if !math.IsNaN(r.value.A) && !math.IsNaN(r.value.B) {
			row(r.name, r.value, share, share, true)
		}
	}
	row("worst p99, in units of its limit", pair.Worst, plain, plain, true)
	row("own energy on air, % of the time", pair.OwnShare, share, share, false)
	row("with access time, % of the time", pair.OwnOccupancy, share, share, false)
	row("broadcasts a second", pair.BroadcastsPerSecond, plain, plain, false)
	t.write()
	pairSignals(p, c, pair)
	if len(pair.OnlyA) > 0 {
		p.paragraph("  only "+cut(a, 24)+" has ", some(pair.OnlyA))
	}
	if len(pair.OnlyB) > 0 {
		p.paragraph("  only "+cut(b, 24)+" has ", some(pair.OnlyB))
	}
}

func pairSignals(p *page, c *study.Comparison, pair *study.Pair) {
	if len(pair.Signals) == 0 {
		p.paragraph("  ", "no signal is on the displays of both")
		return
	}
	a, b := c.Designs[pair.A].Name, c.Designs[pair.B].Name
	p.heading(fmt.Sprintf("%s less %s by signal, in ms by time, the mark at p99; and over the limit in %% of the time, low..high", b, a))
	t := newTable(p, "signal", "mean", "p95", "p99", "p99 low..high", "", "over limit")
	display := ""
	for i := range pair.Signals {
		s := &pair.Signals[i]
		if s.Receiver != display {
			display = s.Receiver
			t.row(clean(display)+":", "", "", "", "", "", "")
		}
		t.row("· "+clean(s.Signal), difference(s.Mean), difference(s.P95), difference(s.P99), lowHigh(s.P99.Difference, signedMillis),
			mark(s.P99), lowHigh(s.OverLimit.Difference, func(v float64, ok bool) string { return signed(number(v*100, ok, ""), v) }))
	}
	t.write()
}

// difference writes the difference of an age.
func difference(p study.Paired) string {
	switch {
	case math.IsInf(p.A, 1) && math.IsInf(p.B, 1):
		return "never"
	case math.IsInf(p.B, 1):
		return "lost"
	case math.IsInf(p.A, 1):
		return "gained"
	}
	return signedMillis(p.Difference.Value, p.Difference.Defined)
}

// infinite writes the figure of a signal that is never shown in words.
func infinite(v float64, write func(float64, bool) string) string {
	if math.IsInf(v, 1) {
		return "never"
	}
	return write(v, !math.IsNaN(v))
}

func lowHigh(v study.Value, write func(float64, bool) string) string {
	if !v.Interval {
		return dash
	}
	low, high := write(v.Low, true), write(v.High, true)
	if low == high {
		return low
	}
	return low + ".." + high
}

package reports

import (
	"fmt"
	"slices"
	"strings"

	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// display writes everything about one display.
func display(p *page, r *study.Result, d *study.Receiver) {
	p.heading("Display " + d.Name)
	p.paragraph("  first picture  ", firstPicture(r, d))
	p.paragraph("  records        ", recordLine(d))
	if d.Restarts > 0 {
		p.paragraph("  restarts       ", fmt.Sprintf("of the bridge, noticed by its sequence: %s in %s", count(d.Restarts), plural(r.Replications, "replication")))
	}
	if foreign := foreignLine(d); foreign != "" {
		p.paragraph("  other sets     ", foreign)
	}
	if len(d.Signals) == 0 {
		return
	}
	ages(p, d)
	reasons(p, d)
	limits(p, r, d)
	changes(p, d)
	deadlines(p, d)
	expiries(p, d)
	updates(p, d)
	waterfall(p, d)
}

// firstPicture says how long after power-up every signal is there.
func firstPicture(r *study.Result, d *study.Receiver) string {
	f := d.FirstPicture
	filled := r.Replications - d.NeverFilled
	if _, ok := finite(f.Mean.Value, f.Mean.Defined); !ok {
		return fmt.Sprintf("never complete, %s", plural(r.Replications, "start"))
	}
	s := fmt.Sprintf("complete %s after power-up on average", span(f.Mean.Value, true))
	if i := between(f.Mean, span); i != dash {
		s += " (" + i + ")"
	}
	s += fmt.Sprintf("; 95 %% of starts within %s, slowest %s; complete in %d of %s",
		span(f.P95.Value, f.P95.Defined), span(f.Max.Value, f.Max.Defined),
		filled, plural(r.Replications, "start"))
	return s
}

// ages writes the main table: how old each value is on the glass.
func ages(p *page, d *study.Receiver) {
	p.heading(d.Name + ": age at the glass, ms by time (p99: at most this 99 % of the time)")
	t := newTable(p, "signal", "limit", "verdict", "mean", "p50", "p95", "p99", "max", "floor\np99")
	t.left(3)
	marked := map[scenarios.Measure]bool{}
	for i := range d.Signals {
		s := &d.Signals[i]
		limit := dash
		if l := s.Shown.Limit; l != nil {
			limit = millis(l.Value.Seconds(), true) + limitMark(l.Of)
			marked[l.Of] = true
		}
		a := s.Age
		t.row(clean(s.Shown.Signal.Name), limit, p.verdict(s.Verdict),
			ms(a.Mean), ms(a.P50), ms(a.P95), ms(a.P99), millis(a.Max.Value, a.Max.Defined),
			ms(s.FloorP99))
	}
	t.write()
	if marked[scenarios.OfChange] {
		p.paragraph("  * ", "not a limit of age: so soon must a change be shown")
	}
	if marked[scenarios.OfFirstPicture] {
		p.paragraph("  ' ", "not a limit of age: so soon after power-up must the first value be shown")
	}
}

// limitMark is what stands behind a limit that does not speak of the age.
func limitMark(of scenarios.Measure) string {
	return map[scenarios.Measure]string{scenarios.OfChange: "*", scenarios.OfFirstPicture: "'"}[of]
}

func ms(v study.Value) string { return millis(v.Value, v.Defined) }

// reasons says in words why limits are missed or undecided, and what the upper
// end of a share rests on where no replication went over its limit.
func reasons(p *page, d *study.Receiver) {
	var bases []string
	for i := range d.Signals {
		s := &d.Signals[i]
		if s.BoundBasis != "" && !slices.Contains(bases, s.BoundBasis) {
			bases = append(bases, s.BoundBasis)
		}
		if s.Verdict != study.Missed && s.Verdict != study.Undecided {
			continue
		}
		why := s.Why
		if more, ok := finite(s.MoreTime, s.Verdict == study.Undecided && s.MoreTime > 0); ok {
			why += fmt.Sprintf(" (%s more simulated time would decide)", long(more))
		}
		p.paragraph("  "+verdictMarks[s.Verdict]+cut(s.Shown.Signal.Name, 24)+": ", why)
	}
	if len(bases) > 0 {
		p.paragraph("  ", "Where the limit was never passed, the upper end of the share rests on one episode as long as "+strings.Join(bases, "; ")+".")
	}
}

// limits writes how sure the ages are and how they stand against the limits.
func limits(p *page, r *study.Result, d *study.Receiver) {
	p.heading(fmt.Sprintf("%s: against the limits, with %s intervals (low..high)",
		d.Name, confidence(r)))
	t := newTable(p, "signal", "p99\nms", "over the limit\n% of the time", "violations\nper hour", "longest\nms")
	var unknown []string
	for i := range d.Signals {
		s := &d.Signals[i]
		t.row(clean(s.Shown.Signal.Name), between(s.Age.P99, millis), withInterval(s.OverLimit, bare),
			withInterval(s.Violations, plain), millis(s.LongestOver, s.Violations.Defined))
		if v := s.UnknownShare; v.Defined && v.Value > 0 {
			unknown = append(unknown, s.Shown.Signal.Name+" "+withInterval(v, percent))
		}
	}
	t.write()
	if len(unknown) > 0 {
		p.paragraph("  ! no value yet, share of the window: ", strings.Join(unknown, ", "))
	}
}

// withInterval writes a figure with its interval behind it.
func withInterval(v study.Value, write func(float64, bool) string) string {
	value, interval := write(v.Value, v.Defined), between(v, write)
	if value == dash || interval == dash || interval == value {
		return value
	}
	return value + " (" + interval + ")"
}

// bare writes a share as a percentage without its sign, plain writes a number.
func bare(share float64, defined bool) string { return number(share*100, defined, "") }
func plain(v float64, defined bool) string    { return number(v, defined, "") }

// updates writes what is weighted by update instead of by time.
func updates(p *page, d *study.Receiver) {
	p.heading(d.Name + ": each update at the glass, ms (p99: 99 % of the updates)")
	t := newTable(p, "signal", "latency\np50", "latency\np99", "peak\np50", "peak\np99",
		"interval\np50", "interval\np99", "in memory\np99 by time")
	for i := range d.Signals {
		s := &d.Signals[i]
		t.row(clean(s.Shown.Signal.Name), ms(s.Latency.P50), ms(s.Latency.P99), ms(s.PeakAge.P50),
			ms(s.PeakAge.P99), ms(s.UpdateInterval.P50), ms(s.UpdateInterval.P99),
			ms(s.MemoryAge.P99))
	}
	t.write()
}

package reports

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// answerLabel is the width of the words that start the first six lines.
const answerLabel = 9

// answer writes the six lines that say how it went.
func answer(p *page, r *study.Result) {
	display, worst := worstSignal(r)
	p.answerLine("limits", limitsLine(p, r))
	p.answerLine("worst", worstLine(display, worst))
	p.answerLine("where", whereLine(r, display, worst, p.options.Width-answerLabel))
	p.answerLine("air", fmt.Sprintf("own %s of the time, with access %s; others %s",
		percent(r.OwnShare.Value, r.OwnShare.Defined),
		percent(r.OwnOccupancy.Value, r.OwnOccupancy.Defined),
		percent(r.OthersShare.Value, r.OthersShare.Defined)))
	p.answerLine("lost", lostLine(r, p.options.Width-answerLabel))
	p.answerLine("decide", decideLine(r))
}

// answerLine writes one line and never more than one.
func (p *page) answerLine(label, text string) {
	room := p.options.Width - answerLabel
	if columns(text) > room {
		text = cut(text, room)
	}
	label += "         "[:answerLabel-len(label)]
	p.lines = append(p.lines, p.paint(bold, label)+text)
}

// verdicts counts the signals by verdict.
func verdicts(r *study.Result) map[study.Verdict]int {
	n := map[study.Verdict]int{}
	for _, d := range r.Receivers {
		for i := range d.Signals {
			n[d.Signals[i].Verdict]++
		}
	}
	return n
}

func limitCount(r *study.Result) int {
	n := verdicts(r)
	return n[study.Met] + n[study.Missed] + n[study.Undecided]
}

func limitsLine(p *page, r *study.Result) string {
	n := verdicts(r)
	tone := func(v study.Verdict) string {
		s := fmt.Sprintf("%d %s", n[v], v)
		if n[v] == 0 {
			return s
		}
		return p.paint(verdictColors[v], s)
	}
	s := fmt.Sprintf("%s, %s, %s of %s", tone(study.Met), tone(study.Missed),
		tone(study.Undecided), plural(limitCount(r), "limit"))
	if none := n[study.NoLimit]; none > 0 {
		s += fmt.Sprintf("; %s without one", plural(none, "signal"))
	}
	return s
}

// worstSignal returns the signal that is furthest from its limit: missed before
// undecided before met, then the larger p99 in units of the limit. Without any
// limit it is the one with the largest p99.
func worstSignal(r *study.Result) (*study.Receiver, *study.Signal) {
	return worstOf(r, func(*study.Signal) bool { return true })
}

// worstOf is the same among some of the signals.
func worstOf(r *study.Result, among func(*study.Signal) bool) (*study.Receiver, *study.Signal) {
	var display *study.Receiver
	var worst *study.Signal
	for i := range r.Receivers {
		for j := range r.Receivers[i].Signals {
			s := &r.Receivers[i].Signals[j]
			if among(s) && (worst == nil || badness(s, worst) > 0) {
				display, worst = &r.Receivers[i], s
			}
		}
	}
	return display, worst
}

// badness is positive when a is worse than b.
func badness(a, b *study.Signal) int {
	rank := map[study.Verdict]int{study.Missed: 3, study.Undecided: 2, study.Met: 1}
	if c := cmp.Compare(rank[a.Verdict], rank[b.Verdict]); c != 0 {
		return c
	}
	return cmp.Compare(closeness(a), closeness(b))
}

// closeness is p99 over the limit, of a limit of changes or starts its standing. A
// signal never shown is infinitely late.
func closeness(s *study.Signal) float64 {
	l := s.Shown.Limit
	if l != nil && l.Of != scenarios.OfAge {
		return s.Standing
	}
	p99, ok := finite(limited(s).P99.Value, limited(s).P99.Defined)
	if !ok {
		return math.Inf(1)
	}
	if l != nil && l.Value > 0 {
		return p99 / l.Value.Seconds()
	}
	return p99
}

// trials are what a limit that does not speak of the age counts.
var trials = map[scenarios.Measure]string{scenarios.OfChange: "changes", scenarios.OfFirstPicture: "starts"}

// limited is the age that the signal's limit speaks of.
func limited(s *study.Signal) study.Statistic {
	if s.Shown.Limit != nil && s.Shown.Limit.At == scenarios.InMemory {
		return s.MemoryAge
	}
	return s.Age
}

func worstLine(display *study.Receiver, s *study.Signal) string {
	if s == nil {
		return "no display shows a signal"
	}
	name := cut(display.Name+" "+s.Shown.Signal.Name, 30)
	limit := "no limit"
	if l := s.Shown.Limit; l != nil {
		limit = "limit " + seconds(l.Value)
		if l.At == scenarios.InMemory {
			limit += " in memory"
		}
	}
	age := limited(s)
	if l := s.Shown.Limit; l != nil && l.Of != scenarios.OfAge {
		delay, ok := finite(s.Standing*l.Value.Seconds(), true)
		if !ok {
			return fmt.Sprintf("%s: under %s of %s ever shown, limit %s", name, percent(l.Quantile, true), trials[l.Of], seconds(l.Value))
		}
		return fmt.Sprintf("%s: %s of %s within %s, limit %s", name, percent(l.Quantile, true), trials[l.Of], span(delay, true), seconds(l.Value))
	}
	if _, ok := finite(age.P99.Value, age.P99.Defined); !ok {
		return fmt.Sprintf("%s: never shown, %s", name, limit)
	}
	return fmt.Sprintf("%s: p99 %s (99 %% of the time), %s", name,
		span(age.P99.Value, true), limit)
}

// whereLine names the two largest terms of the worst signal's waterfall and what
// moves the largest.
func whereLine(r *study.Result, display *study.Receiver, s *study.Signal, width int) string {
	if s == nil || !s.WaterfallOpen {
		return "nothing was shown, so there is no age to explain"
	}
	order := largestTerms(s)
	first, second := order[0], order[1]
	line := fmt.Sprintf("%s %s, %s %s", first, span(s.Waterfall[first], true),
		second, span(s.Waterfall[second], true))
	whole := " of " + span(s.Age.Mean.Value, s.Age.Mean.Defined)
	receiver := planReceiver(r.Plan, display.Name)
	if receiver == nil {
		return line + whole
	}
	l := leverOf(r.Plan, receiver, s.Shown, first)
	l.key = clean(l.key)
	for _, try := range []string{line + whole + "; turn " + l.String(), line + "; turn " + l.String(), line + whole + "; turn " + l.key} {
		if columns(try) <= width {
			return try
		}
	}
	return line + "; turn " + l.key
}

// largestTerms orders the stages by what they add, largest first.
func largestTerms(s *study.Signal) []fate.Stage {
	order := make([]fate.Stage, fate.Stages)
	for i := range order {
		order[i] = fate.Stage(i)
	}
	slices.SortStableFunc(order, func(a, b fate.Stage) int {
		return cmp.Compare(s.Waterfall[b], s.Waterfall[a])
	})
	return order
}

func planReceiver(plan *scenarios.Plan, name string) *scenarios.Receiver {
	if plan == nil {
		return nil
	}
	for i := range plan.Receivers {
		if plan.Receivers[i].Name == name {
			return &plan.Receivers[i]
		}
	}
	return nil
}

// decideLine says what would turn the undecided limits into verdicts.
func decideLine(r *study.Result) string {
	undecided, untold, more, runs := 0, 0, 0.0, 0
	for _, d := range r.Receivers {
		for i := range d.Signals {
			s := &d.Signals[i]
			if s.Verdict != study.Undecided {
				continue
			}
			undecided++
			t, ok := finite(s.MoreTime, s.MoreTime > 0)
			if !ok {
				untold++
				continue
			}
			more = max(more, t)
			runs = max(runs, replicationsFor(r, s))
		}
	}
	if undecided == 0 {
		return "nothing is undecided"
	}
	line := fmt.Sprintf("%d undecided: ", undecided)
	switch {
	case undecided == untold:
		return line + "try more replications; how many cannot be told yet"
	case untold > 0 && runs > 0:
		return line + fmt.Sprintf("%s more, such as --replications %d, for %d of them", long(more), runs, undecided-untold)
	case untold > 0:
		return line + fmt.Sprintf("%s more simulated time for %d of them", long(more), undecided-untold)
	case runs > 0:
		line += fmt.Sprintf("%s more simulated time, such as --replications %d", long(more), runs)
	default:
		line += long(more) + " more simulated time"
	}
	return line
}

// replicationsFor is the number of replications that adds the time a signal
// needs, 0 where it cannot be told.
func replicationsFor(r *study.Result, s *study.Signal) int {
	need := float64(r.Replications) * (1 + s.MoreTime/s.Window)
	if _, ok := finite(need, true); !ok || need < 1 || need > math.MaxInt32 {
		return 0
	}
	return int(math.Ceil(need))
}

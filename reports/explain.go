package reports

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim/explain"
	"stalegauge/sim/study"
)

// Explain writes in words what the worst of a signal was in a run and how it came
// about, for readers who know nothing else. r must hold the run that e is of.
// again is the command that repeats the run, word by word; nil leaves it out. It
// returns the error of w.
func Explain(w io.Writer, r *study.Result, e *explain.Explanation, again []string, o TextOptions) error {
	o.Width = max(o.Width, minWidth)
	p := &page{options: o}
	t := &teller{page: p, result: r, e: e, signal: signalOf(r, e)}
	t.summary()
	t.words()
	if e.Kind != explain.Nothing {
		t.split()
		t.story()
		t.answers()
	}
	t.parts()
	t.again(again)
	cautions(p)
	_, err := io.WriteString(w, p.String())
	return err
}

// teller writes an explanation.
type teller struct {
	*page
	result *study.Result
	e      *explain.Explanation
	signal *study.Signal
}

// signalOf finds the signal of an explanation in a result.
func signalOf(r *study.Result, e *explain.Explanation) *study.Signal {
	for i := range r.Receivers {
		for k := range r.Receivers[i].Signals {
			s := &r.Receivers[i].Signals[k]
			if r.Receivers[i].Name == e.Receiver.Name && s.Shown.Signal == e.Shown.Signal && s.Shown.ID == e.Shown.ID {
				return s
			}
		}
	}
	panic("reports: an explanation of another run")
}

// place names where the limit counts.
func (t *teller) place() string {
	if t.e.InMemory {
		return "in the display's memory"
	}
	return "on the glass"
}

// summary says what is explained, and what was found.
func (t *teller) summary() {
	t.lines = append(t.lines, t.paint(bold, cut(t.e.Shown.Signal.Name+" on the display "+t.e.Receiver.Name, t.options.Width)))
	t.paragraph("", t.limit())
	t.paragraph("", t.found())
}

// limit says what is asked for and whether it holds.
func (t *teller) limit() string {
	l := t.e.Shown.Limit
	if l == nil {
		return "Nobody has said how old it may be."
	}
	share, within := percent(l.Quantile, true), seconds(l.Value)
	var asked string
	switch l.Of {
	case scenarios.OfChange:
		asked = fmt.Sprintf("Of its changes %s should be %s within %s.", share, t.place(), within)
	case scenarios.OfFirstPicture:
		asked = fmt.Sprintf("It should be on the glass within %s of switching the display on, in %s of all starts.", within, share)
	default:
		asked = fmt.Sprintf("%s it should be at most %s old for %s of the time.", capital(t.place()), within, share)
	}
	switch t.signal.Verdict {
	case study.Met:
		return asked + " That limit is met."
	case study.Missed:
		return asked + " That limit is missed: " + t.signal.Why + "."
	default:
		return asked + " Whether that limit is met is undecided: " + t.signal.Why + "."
	}
}

// found says what the worst was.
func (t *teller) found() string {
	e, runs := t.e, t.runs()
	length, where := span(e.Length.Seconds(), true), fmt.Sprintf("in run %d", e.Replication)
	if t.result.Replications > 1 {
		where += " (the runs are counted from 0)"
	}
	switch e.Kind {
	case explain.Violation:
		times := int(math.Round(t.signal.Violations.Value * t.signal.Observed / 3600))
		return fmt.Sprintf("%s it was older than that %s, %s of the time. The longest of these times was %s, %s.",
			runs, often(times), percent(t.signal.OverLimit.Value, t.signal.OverLimit.Defined), length, where)
	case explain.Oldest:
		return fmt.Sprintf("%s it was never older than %s. It was that old %s.", runs, length, where)
	case explain.Change:
		return fmt.Sprintf("%s every change that counts was shown. The slowest was shown %s after it had happened, %s.", runs, length, where)
	case explain.Lost:
		return fmt.Sprintf("%s some changes were never shown. One of them happened %s.", runs, where)
	case explain.Start:
		return fmt.Sprintf("%s it always came. The slowest time it came %s after the display was switched on, %s.", runs, length, where)
	case explain.Dark:
		return fmt.Sprintf("%s it was not always shown: nothing came at all %s.", runs, where)
	default:
		return runs + " nothing happened that counts: no change, or no time inside the window."
	}
}

// runs says how long was simulated.
func (t *teller) runs() string {
	if t.result.Replications == 1 {
		return fmt.Sprintf("In one run of %s", long(t.result.Duration))
	}
	return fmt.Sprintf("In %d runs of %s each", t.result.Replications, long(t.result.Duration))
}

func often(n int) string {
	switch n {
	case 1:
		return "once"
	case 2:
		return "twice"
	}
	return count(uint64(n)) + " times"
}

// words says what a reader must know.
func (t *teller) words() {
	t.heading("What the words mean")
	e := t.e
	from := "message " + e.Shown.ID.String()
	if e.Shown.Period > 0 {
		from += ", about every " + seconds(e.Shown.Period)
	}
	t.paragraph("  ", fmt.Sprintf("The machine's own units send their values over a cable, the bus; %s comes in %s. "+
		"The bridge is a small box that listens to the bus, puts values together into a broadcast and sends that by radio. "+
		"Nobody confirms a broadcast: one that is lost is gone, and a later one has to bring a newer value. "+
		"The display keeps the newest value that it hears in its memory and draws it on the glass. "+
		"The age of a value is the time since the machine sent it out.", e.Shown.Signal.Name, from))
}

// parts splits the mean age, and that of the worst time beside it.
func (t *teller) parts() {
	if !t.signal.WaterfallOpen {
		return
	}
	usual, here := make([]float64, fate.Stages), make([]float64, fate.Stages)
	for k := range fate.Stages {
		usual[k], here[k] = t.signal.Waterfall[k], t.e.Terms[k].Seconds()
	}
	usual[fate.StageWire] += usual[fate.StageSource]
	usual[fate.StageSource] = 0
	if t.e.InMemory {
		usual[fate.StageRedraw] = 0
	}
	compared := sum(here) > 0
	head := "usual ms"
	t.heading("What its age is made of")
	text := "The mean " + t.place() + "."
	if compared {
		head += "  then ms"
		then := "in the time over the limit"
		if t.e.Kind == explain.Oldest {
			then = "until the oldest value was replaced"
		}
		text = fmt.Sprintf("Usual: the mean %s over all runs. Then: the mean %s.", t.place(), then)
	}
	t.paragraph("  ", text)
	t.lines = append(t.lines, "  "+head)
	left, right := t.tenths(usual), t.tenths(here)
	label := func(k int) string {
		s := fmt.Sprintf("  %8s", left.write(left.of[k]))
		if compared {
			s += fmt.Sprintf("  %7s", right.write(right.of[k]))
		}
		return s + gap
	}
	restLeft, restRight := 0, 0
	for k := range fate.Stages {
		if left.of[k] == 0 && right.of[k] == 0 {
			continue
		}
		if left.of[k] <= 1 && right.of[k] <= 1 {
			restLeft, restRight = restLeft+left.of[k], restRight+right.of[k]
			continue
		}
		answersTo := leverOf(t.e.Plan, t.e.Receiver, *t.e.Shown, k)
		if k == fate.StageWire {
			answersTo = sourceLever(t.e.Plan, *t.e.Shown)
		}
		t.paragraph(label(int(k)), stagePhrases[k]+"; turn "+answersTo.String())
	}
	left.of, right.of = []int{restLeft, total10(left)}, []int{restRight, total10(right)}
	if restLeft > 0 || restRight > 0 {
		t.paragraph(label(0), "everything else")
	}
	t.paragraph(label(1), "together")
}

// tenths rounds times to tenths of a millisecond so that they sum to the rounded
// sum.
func (t *teller) tenths(parts []float64) printed {
	v := printed{digits: 1}
	v.of = apportion(parts, int(math.Round(sum(parts)*1e4)))
	return v
}

func total10(v printed) (n int) {
	for _, part := range v.of {
		n += part
	}
	return n
}

func sum(parts []float64) (s float64) {
	for _, p := range parts {
		s += p
	}
	return s
}

// again says how to repeat it.
func (t *teller) again(command []string) {
	if len(command) == 0 {
		return
	}
	e := t.e
	t.heading("The same again, and with every detail")
	t.command(append(slices.Clone(command), "--explain", e.Shown.Signal.Name+"@"+e.Receiver.Name))
	if e.Kind == explain.Nothing {
		return
	}
	from := max(e.Origin-10*time.Millisecond, 0).Truncate(time.Millisecond)
	until := (e.Until + 11*time.Millisecond).Truncate(time.Millisecond)
	t.command(append(slices.Clone(command), "--trace", "life.csv", "--replication", fmt.Sprint(e.Replication),
		"--signal", e.Shown.Signal.Name, "--from", fmt.Sprint(from.Seconds(), "s"), "--to", fmt.Sprint(until.Seconds(), "s")))
}

// command writes a command line over as many lines as it needs.
func (t *teller) command(words []string) {
	line := " "
	for _, w := range words {
		if strings.ContainsAny(w, " \t\"'$&|;<>()*?[]#~\\") {
			w = "'" + strings.ReplaceAll(w, "'", `'\''`) + "'"
		}
		w = clean(w)
		if columns(line)+1+columns(w)+2 > t.options.Width && line != " " {
			t.lines = append(t.lines, line+` \`)
			line = "   "
		}
		line += " " + w
	}
	t.lines = append(t.lines, line)
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

package reports

import (
	"fmt"
	"strings"

	"stalegauge/sim/study/size"
)

func sizeFront(p *page, a *size.Answer) {
	if len(a.Front) == 0 {
		return
	}
	p.heading("No other design beats these in both time on air and worst age (worst: largest kept/limit; a verdict where it was tried against all limits)")
	t := newTable(p, "design", "on air\n%", "worst", "limits")
	t.left(4)
	for i := range a.Front {
		f := &a.Front[i]
		name := f.Name
		if a.Best != nil && f.Name == a.Best.Name {
			name += " (found)"
		}
		verdict := f.Verdict
		if verdict == "" {
			verdict = dash
		}
		t.row(clean(name), number(100*f.Own, true, ""), ratioText(f.Worst), verdict)
	}
	t.write()
}

func sizeOptional(p *page, a *size.Answer) {
	if len(a.Optional) == 0 {
		return
	}
	p.heading("Further identifiers, the cheapest first, each with all before it (adds: to the time on air, at most)")
	t := newTable(p, "identifier", "message", "bytes", "adds\n%", "fits")
	t.left(2)
	t.left(5)
	t.shrink = 5
	fit := 0
	for _, o := range a.Optional {
		fits := "yes: all limits met"
		if !o.Fits {
			fits = "no: " + o.Why
		}
		if o.Fits {
			fit++
		}
		t.row(o.ID.String(), clean(o.Message), fmt.Sprint(o.Bytes), number(100*o.Air, true, ""), clean(fits))
	}
	t.write()
	if fit > 0 {
		p.paragraph("  ", fmt.Sprintf("with %s besides: %s of the time on air", plural(fit, "identifier"), percent(a.OptionalOwn, true)))
	}
}

func sizeCounts(p *page, a *size.Answer) {
	c := &a.Counts
	p.heading("What was searched")
	line := func(n int, what string) {
		if n > 0 {
			p.lines = append(p.lines, fmt.Sprintf("  %7s  %s", count(uint64(n)), what))
		}
	}
	line(c.Examined, "designs examined")
	for b := size.PayloadSize; b <= size.LongestWait; b++ {
		line(c.Pruned[b], "of them removed without simulation by the bound "+b.String())
	}
	line(c.Simulated, "of them simulated")
	line(c.TooMuch, "take more time on air than size.air")
	line(c.Missed, "shown to miss a limit")
	line(c.Open, "undecided after the last look")
	line(c.Either, "of these within 2 % of what they broke: they may fall either way, and fell out")
	line(c.Met, "shown to meet all limits")
	line(c.Costlier, "cost more than what was found, and were not tried against the limits")
	line(c.Dropped, "lost to another one of the same cost by paired differences")
	line(c.Refused, "met all limits, but not on fresh seeds")
	line(c.Unseen, "perhaps cheaper, but not tried before the search had to end")
	line(c.Runs, "replications in all")
}

// sizeCertainty writes what the verdicts rest on and what repeats them.
func sizeCertainty(p *page, a *size.Answer) {
	p.heading("How sure, and how to repeat it")
	p.paragraph("  verdicts    ", fmt.Sprintf("each at confidence %.4g %%, so that all limits and %d looks together are right at 95 %% for one design (Bonferroni); many designs are tried, which is why the one that is found is simulated again on fresh seeds", 100*(1-a.Alpha), a.Looks))
	p.paragraph("  length      ", fmt.Sprintf("replications of %s for the order of cost and the first looks, then %s", long(a.Window), long(a.Long)))
	p.paragraph("  loss        ", "a loss that the scenario gives does not know the rate of the radio: a faster rate is tried only where size.radios or --radios names it")
	if a.Problem.Plan.Power.Judged {
		p.paragraph("  power       ", fmt.Sprintf("of the bridge's radio alone, from power: {tx: %s, listen: %s, sleep: %s, voltage: %s}, at least one of them a default: engineering judgement",
			milli(a.Problem.Plan.Power.Send, "W"), milli(a.Problem.Plan.Power.Listen, "W"), milli(a.Problem.Plan.Power.Sleep, "W"), number(a.Problem.Plan.Power.Volt, true, " V")))
	}
	why := "nothing was left to try"
	if a.Stopped {
		why = "the budget ended it"
	}
	if a.Cut {
		p.paragraph("  left out    ", "the budget left no room to explain everything: give more with --budget")
	}
	if !a.Interrupted {
		p.paragraph("  work        ", fmt.Sprintf("%s bus frames of all designs until the search ended (%s); the same work again: --budget %dframes", count(a.Frames), why, a.Budget()))
	}
	p.paragraph("  scenario    ", a.Problem.Plan.Name+" (sha256 "+a.Problem.Plan.SHA256+")")
	p.paragraph("  repeat      ", fmt.Sprintf("seed %d, version %s: the same bytes on any number of cores", a.Problem.Plan.Seed, a.Version))
	if a.Best != nil {
		p.paragraph("  look closer ", "stalegauge run "+a.Problem.Scenario+" "+setFlags(a.Problem.With(&a.Best.Design)))
	}
}

// setFlags writes changes as the command line takes them.
func setFlags(sets []string) string {
	var parts []string
	for _, s := range sets {
		if strings.ContainsAny(s, " {}[]*?'\"$&;()<>|`\\") {
			s = "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
		}
		parts = append(parts, "--set "+s)
	}
	return strings.Join(parts, " ")
}

package reports

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"stalegauge/scenarios"
	"stalegauge/sim/study"
	"stalegauge/sim/study/size"
)

// SizeText writes what a search has found, for people: first the settings as a
// scenario takes them, then why they are the ones, or why nothing keeps all limits
// and what would. No line is longer than the width of the options but those of the
// settings, which are to be copied. It returns the error of w.
func SizeText(w io.Writer, a *size.Answer, o TextOptions) error {
	o.Width = max(o.Width, minWidth)
	p := &page{options: o}
	if a.Best != nil {
		sizeFound(p, a)
		sizeMargins(p, a)
	} else {
		sizeNothing(p, a)
	}
	sizeRadios(p, a)
	sizeFront(p, a)
	sizeOptional(p, a)
	sizeCounts(p, a)
	sizeCertainty(p, a)
	cautions(p)
	_, err := io.WriteString(w, p.String())
	return err
}

func sizeFound(p *page, a *size.Answer) {
	settings := size.Text(a.Best.Settings)
	for _, line := range strings.Split(strings.TrimRight(settings, "\n"), "\n") {
		p.lines = append(p.lines, clean(line))
	}
	p.lines = append(p.lines, "")
	kept := fmt.Sprintf("%s: all %s met", a.Best.Name, plural(len(a.Best.Held), "limit"))
	if len(a.Best.Held) == 0 {
		kept = a.Best.Name + ": no limit was asked for"
	}
	if a.Confirmed {
		kept += fmt.Sprintf(", confirmed on fresh seeds (%s of %s)", plural(a.Best.Runs, "replication"), long(a.Long))
	} else {
		kept += ", NOT YET confirmed on fresh seeds"
	}
	p.paragraph("found    ", kept)
	p.paragraph("costs    ", sizeCost(a, a.Best)+asIsCost(a))
	if h := worstHeld(a.Best.Held); h != nil {
		p.paragraph("worst    ", fmt.Sprintf("%s %s, %s of %s (%s)", h.Receiver, h.Shown.Signal.Name, keptText(h), seconds(h.Shown.Limit.Value), limitText(h.Shown.Limit)))
	}
	switch r := a.RunnerUp; {
	case r != nil:
		p.paragraph("next     ", fmt.Sprintf("%s, of another kind: %s", r.Name, a.Lost))
	case a.Cut:
		p.paragraph("next     ", "no design of another kind was found in time that keeps all limits")
	case !a.Interrupted:
		p.paragraph("next     ", "no design of another kind was found that keeps all limits")
	}
	if why := a.Best.Radio; len(a.Radios) > 1 {
		p.paragraph("radio    ", why+": "+radioWhy(a))
	}
}

// sizeCost is what a design costs, in words.
func sizeCost(a *size.Answer, f *size.Found) string {
	power := &a.Problem.Plan.Power
	return fmt.Sprintf("%s of the time on air, with access %s; the radio takes %s in the mean, %s at %s",
		percent(f.Own, true), percent(f.Occupied, true), milli(f.Watt, "W"), milli(f.Watt/power.Volt, "A"), number(power.Volt, true, " V"))
}

func milli(v float64, unit string) string {
	return significant(v*1000) + " m" + unit
}

func asIsCost(a *size.Answer) string {
	if a.AsIs == nil {
		return ""
	}
	text := fmt.Sprintf("; the scenario as it stands takes %s", percent(a.AsIs.Own, true))
	if a.AsIs.Verdict != "" {
		text += " (limits " + a.AsIs.Verdict + ")"
	}
	return text
}

func worstHeld(all []study.Held) (worst *study.Held) {
	for i := range all {
		if h := &all[i]; h.Ratio.Defined && (worst == nil || h.Ratio.Value > worst.Ratio.Value) {
			worst = h
		}
	}
	return worst
}

func keptText(h *study.Held) string {
	if math.IsInf(h.Ratio.Value, 1) {
		return "never"
	}
	return span(h.Ratio.Value*h.Shown.Limit.Value.Seconds(), h.Ratio.Defined)
}

// limitText says what a limit speaks of.
func limitText(l *scenarios.Limit) string {
	of := map[scenarios.Measure]string{scenarios.OfAge: "time", scenarios.OfChange: "changes", scenarios.OfFirstPicture: "starts"}[l.Of]
	return strconv.FormatFloat(math.Round(l.Quantile*1e6)/1e4, 'f', -1, 64) + " % of " + of
}

// sizeMargins writes how far each limit is and what moves it.
func sizeMargins(p *page, a *size.Answer) {
	if len(a.Best.Held) == 0 {
		return
	}
	p.heading("Margin of each limit (kept: the age that the share of time, changes or starts keeps that the limit asks for, ms)")
	t := newTable(p, "signal", "limit", "kept", "margin\n%", "verdict", "of")
	t.left(5)
	t.left(6)
	zone := false
	for i := range a.Best.Held {
		h := &a.Best.Held[i]
		verdict := string(h.Verdict)
		if math.Abs(h.Ratio.Value-1) <= .02 && h.Ratio.Defined {
			verdict, zone = verdict+" ~", true
		}
		t.row(clean(h.Receiver+" "+h.Shown.Signal.Name), millis(h.Shown.Limit.Value.Seconds(), true), strings.TrimSuffix(keptText(h), " ms"),
			number(100*(1-h.Ratio.Value), h.Ratio.Defined, ""), verdictMarks[h.Verdict]+verdict, limitText(h.Shown.Limit))
	}
	t.write()
	if zone {
		p.paragraph("  ~ ", "within 2 % of the limit: it may fall either way, and fell as it says")
	}
	sizeSensitivity(p, a)
}

func sizeSensitivity(p *page, a *size.Answer) {
	if len(a.Sensitive) == 0 {
		return
	}
	p.heading("What each limit hangs on most (change of kept/limit by a parameter a quarter larger or a copy more, paired, 95 % over those tried; ? = the largest, but not shown)")
	t := newTable(p, "signal", "parameter", "from", "to", "change")
	t.left(2)
	for i := range a.Sensitive {
		s := &a.Sensitive[i]
		name := clean(s.Held.Receiver + " " + s.Held.Shown.Signal.Name)
		if s.Key == "" {
			t.row(name, dash, dash, dash, dash)
			continue
		}
		mark := ""
		if !s.Shown {
			mark = "? "
		}
		t.row(name, clean(s.Key), s.From, s.To, fmt.Sprintf("%s%+.2f", mark, s.Change))
	}
	t.write()
}

func sizeNothing(p *page, a *size.Answer) {
	x := a.Infeasible
	if x == nil {
		why := "the budget ended the search before anything was found that keeps all limits: give more with --budget"
		if a.Interrupted {
			why = "the search was stopped before anything was found that keeps all limits"
		}
		p.paragraph("found    ", "nothing yet: "+why)
		return
	}
	p.paragraph("found    ", "no design keeps all limits: "+x.Why)
	for i := range x.Nearest {
		label := "nearest  "
		if i > 0 {
			label = "         "
		}
		p.paragraph(label, x.Nearest[i])
	}
	if asIs := asIsCost(a); asIs != "" {
		p.paragraph("now      ", strings.TrimPrefix(asIs, "; "))
	}
	if len(x.Clashes) == 0 {
		return
	}
	p.heading("Limits that clash (needs: the least that could be kept, as it stands, ms)")
	t := newTable(p, "signal", "limit", "needs", "why")
	t.left(4)
	t.shrink = 4
	for i := range x.Clashes {
		c := &x.Clashes[i]
		t.row(clean(c.Receiver+" "+c.Shown.Signal.Name), millis(c.Shown.Limit.Value.Seconds(), true), millis(c.Needs, c.Needs > 0), clean(c.Why))
	}
	t.write()
}

func sizeRadios(p *page, a *size.Answer) {
	if len(a.Radios) < 2 {
		return
	}
	p.heading("Each radio (the cheapest design on it that keeps all limits)")
	t := newTable(p, "radio", "on air\n%", "power\nmW", "worst", "design")
	t.left(5)
	t.shrink = 5
	for _, r := range a.Radios {
		if r.Best == nil {
			none := "none: "
			if r.Left != nil {
				none = ""
			}
			t.row(clean(r.Name), dash, dash, dash, none+clean(r.Why))
			continue
		}
		t.row(clean(r.Name), number(100*r.Best.Own, true, ""), number(1000*r.Best.Watt, true, ""), ratioText(r.Best.Worst), clean(r.Best.Name))
	}
	t.write()
}

// radioWhy says why the radio of the best design is the one.
func radioWhy(a *size.Answer) string {
	var parts []string
	for _, r := range a.Radios {
		switch {
		case r.Name == a.Best.Radio:
		case r.Left != nil && a.Objective == size.LeastEnergy:
			parts = append(parts, fmt.Sprintf("what is left to try on %s takes %s and more against %s", r.Name, milli(r.Left.Watt, "W"), milli(a.Best.Watt, "W")))
		case r.Left != nil && a.Objective == size.LeastAir:
			parts = append(parts, fmt.Sprintf("what is left to try on %s takes %s of the time on air and more against %s", r.Name, percent(r.Left.Own, true), percent(a.Best.Own, true)))
		case r.Left != nil:
			parts = append(parts, fmt.Sprintf("not all designs on %s were tried", r.Name))
		case r.Best == nil:
			parts = append(parts, "no design was found that keeps all limits on "+r.Name)
		case a.Objective == size.LeastEnergy:
			parts = append(parts, fmt.Sprintf("%s takes %s against %s", r.Name, milli(r.Best.Watt, "W"), milli(a.Best.Watt, "W")))
		case a.Objective == size.MostMargin:
			parts = append(parts, fmt.Sprintf("on %s the worst age is %s of the limit, here %s", r.Name, ratioText(r.Best.Worst), ratioText(a.Best.Worst)))
		default:
			parts = append(parts, fmt.Sprintf("%s takes %s of the time on air against %s", r.Name, percent(r.Best.Own, true), percent(a.Best.Own, true)))
		}
	}
	return strings.Join(parts, "; ")
}

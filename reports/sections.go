package reports

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// bridgeSection writes how the bridge was used and what it did with the frames.
func bridgeSection(p *page, r *study.Result) {
	p.heading("Bus and air")
	p.paragraph("  bus      ", fmt.Sprintf("%s frames/s; busy %s of the time",
		withInterval(r.FramesPerSecond, plain), withInterval(r.BusLoad, percent)))
	p.paragraph("  own      ", fmt.Sprintf("%s broadcasts/s of %s records; on air %s, with access %s of the time",
		withInterval(r.BroadcastsPerSecond, plain), withInterval(r.RecordsPerBroadcast, plain),
		withInterval(r.OwnShare, percent), withInterval(r.OwnOccupancy, percent)))
	p.paragraph("  others   ", fmt.Sprintf("on air %s of the time; background stations offered %s",
		withInterval(r.OthersShare, percent), withInterval(r.OthersOffered, percent)))
	for _, rule := range airRules(r) {
		p.paragraph("  rule     ", rule.text(r.Plan))
	}
	p.heading("Bridge: how full each stage was")
	t := newTable(p, "stage", "busy\n% of time", "most waiting", "room", "unit")
	t.left(5)
	for _, s := range r.Stages {
		room := "no limit"
		if s.Capacity > 0 {
			room = fmt.Sprint(s.Capacity)
		}
		t.row(clean(s.Name), bare(s.Load, s.HasLoad), fmt.Sprint(s.HighWater), room, clean(s.Unit))
	}
	t.write()
	frameLedger(p, r)
	forwardList(p, r)
	layouts(p, r)
	levers(p, r)
}

// assumptions writes what the result rests on that nobody has confirmed, and
// the warnings.
func assumptions(p *page, r *study.Result) {
	if r.Plan == nil {
		return
	}
	known := 0
	p.heading("Assumptions: defaults that nobody confirmed")
	t := newTable(p, "key", "value", "because")
	t.left(2)
	t.left(3)
	t.shrink = 3
	for _, a := range merged(r.Plan) {
		if a.Origin == "default" {
			t.row(cut(a.Key, 36), cut(a.Value, 16), clean(a.Reason))
		} else {
			known++
		}
	}
	t.write()
	if known > 0 {
		p.paragraph("  ", fmt.Sprintf("%s stated by the scenario or on the command line.", plural(known, "value")))
	}
	if r.Plan.Masks != nil {
		p.paragraph("  masks  ", maskAssumption(r.Plan))
	}
	for _, a := range r.Plan.Assumptions {
		if a.Origin == "command line" {
			p.paragraph("  --set ", a.Key+"="+a.Value)
		}
	}
	if len(r.Plan.Warnings) > 0 {
		p.heading("Warnings")
		for _, w := range r.Plan.Warnings {
			first, rest, _ := strings.Cut(w, "\n")
			p.paragraph("  ! ", first)
			for _, line := range strings.Split(rest, "\n") {
				if line != "" {
					p.paragraph("      ", strings.TrimSpace(line))
				}
			}
		}
	}
}

// merged lists the assumptions, with one entry where all displays have the same
// default: receivers.*.queue.
func merged(plan *scenarios.Plan) []scenarios.Assumption {
	general := func(a scenarios.Assumption) scenarios.Assumption {
		if parts := strings.SplitN(a.Key, ".", 3); len(parts) == 3 && parts[0] == "receivers" {
			a.Key = "receivers.*." + parts[2]
		}
		return a
	}
	alike := map[scenarios.Assumption]int{}
	for _, a := range plan.Assumptions {
		alike[general(a)]++
	}
	var out []scenarios.Assumption
	for _, a := range plan.Assumptions {
		g := general(a)
		if a.Origin != "default" || g == a || alike[g] < len(plan.Receivers) || len(plan.Receivers) < 2 {
			out = append(out, a)
		} else if !slices.Contains(out, g) {
			out = append(out, g)
		}
	}
	return out
}

// certainty writes what the intervals rest on and what repeats the run.
func certainty(p *page, r *study.Result) {
	p.heading("How sure, and how to repeat it")
	looks := ""
	if len(r.Looks) > 0 {
		texts := make([]string, len(r.Looks))
		for i, n := range r.Looks {
			texts[i] = fmt.Sprint(n)
		}
		looks = "; looked after " + strings.Join(texts, ", ")
	}
	p.paragraph("  intervals   ", fmt.Sprintf("%s confidence, from %s of %s each%s; %s simulated in all",
		confidence(r), plural(r.Replications, "independent replication"), long(r.Duration),
		looks, long(r.Simulated)))
	p.paragraph("  limits      ", fmt.Sprintf("%s, each judged on its own", plural(limitCount(r), "limit")))
	if r.Plan != nil {
		p.paragraph("  scenario    ", r.Plan.Name+" (sha256 "+r.Plan.SHA256+")")
		p.paragraph("  repeat      ", fmt.Sprintf("seed %d, version %s: the same bytes on any number of cores", r.Plan.Seed, r.Version))
	}
}

// confidence writes what the intervals promise. A run that may stop early
// computes each of its six looks more strictly, so that all of them together
// hold with 95 %.
func confidence(r *study.Result) string {
	percentage, ok := finite(r.Confidence*100, r.Confidence > 0)
	if !ok {
		return dash
	}
	each := strconv.FormatFloat(percentage, 'g', 4, 64) + " %"
	if len(r.Looks) == 0 {
		return each
	}
	return "95 % over all looks (each " + each + ")"
}

// cautions writes what the figures must not be used for.
func cautions(p *page) {
	p.heading("Cautions")
	for _, c := range []string{
		"Tap the bus read-only: listen-only controller, transmit pin unwired, no termination added.",
		"Never for safety functions, warning lamps or the required speedometer.",
		"Mount outside airbag paths and the line of sight; keep glances short.",
		"Radio rules, type approval and road law are local: ask there.",
		"Unauthenticated broadcasts can be read, traced and forged: display only, check every bound.",
		"Distance, walls and antennas are not modelled: each display's loss is given, best from a measurement.",
		"The figures hold under the assumptions above.",
	} {
		p.paragraph("  - ", c)
	}
}

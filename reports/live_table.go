package reports

import (
	"fmt"
	"math"
	"slices"
	"time"

	"stalegauge/scenarios"
	"stalegauge/sim/live"
)

// LiveLine says in one line what a listener knows now.
func LiveLine(plan *scenarios.Plan, v *live.View) string {
	c := &v.Counts
	if !v.Began {
		return fmt.Sprintf("waiting; %s datagrams of others or not understood", count(c.Datagrams))
	}
	text := fmt.Sprintf("%s: %s datagrams, %s missing, %s again, %s of others",
		v.Elapsed.Truncate(time.Second), count(c.Own), count(c.Missing), count(c.Duplicates), count(c.Datagrams-c.Own))
	if v.Silent > time.Second {
		return text + fmt.Sprintf("; silent for %s", v.Silent.Truncate(100*time.Millisecond))
	}
	if name, over := worstNow(plan, v); name != "" {
		text += fmt.Sprintf("; nearest to its limit %s at %s", name, percent(over, true))
	}
	return text
}

// worstNow returns the signal whose age is the largest share of its limit.
func worstNow(plan *scenarios.Plan, v *live.View) (name string, share float64) {
	for i := range v.Displays {
		for k, now := range v.Displays[i] {
			s := &plan.Receivers[i].Shows[k]
			limit := s.AgeLimit()
			if limit == nil || !now.Known {
				continue
			}
			if of := float64(now.Age) / float64(limit.Value); of > share {
				name, share = plan.Receivers[i].Name+" "+s.Signal.Name, of
			}
		}
	}
	return clean(name), share
}

// LiveTable writes what a listener knows now as lines for a terminal, the signals
// grouped by display and limit. At most so many lines come; the last one tells how
// many signals are left out.
func LiveTable(plan *scenarios.Plan, v *live.View, o TextOptions, lines int) []string {
	o.Width = max(o.Width, minWidth)
	p := &page{options: o}
	p.paragraph("", LiveLine(plan, v))
	left := 0
	for i := range v.Displays {
		for _, g := range byLimit(plan.Receivers[i].Shows) {
			if len(p.lines)+2 > lines-1 {
				left += len(g.signals)
				continue
			}
			p.lines = append(p.lines, cut(plan.Receivers[i].Name+", "+limitWords(g.limit), o.Width))
			for _, k := range g.signals {
				if len(p.lines) >= lines-1 {
					left++
					continue
				}
				p.lines = append(p.lines, liveRow(p, &plan.Receivers[i].Shows[k], &v.Displays[i][k].Age, v.Displays[i][k].Known))
			}
		}
	}
	if left > 0 {
		p.lines = append(p.lines, fmt.Sprintf("... %d signals more; a taller window shows them", left))
	}
	return p.lines
}

func limitWords(l *scenarios.Limit) string {
	if l == nil {
		return "no limit of age"
	}
	return fmt.Sprintf("limit %s", span(l.Value.Seconds(), true))
}

// limitColumns is how many columns stand for a limit.
const limitColumns = 20

// liveRow writes one signal: its age, and a bar on which the limit is a stroke.
func liveRow(p *page, s *scenarios.Shown, age *time.Duration, known bool) string {
	name := fmt.Sprintf("  %-28s", cut(s.Signal.Name, 28))
	if !known {
		return name + "  unknown"
	}
	row := name + fmt.Sprintf("%10s ", span(age.Seconds(), true))
	limit := s.AgeLimit()
	if limit == nil {
		return row
	}
	filled := int(math.Min(1.5, float64(*age)/float64(limit.Value)) * limitColumns)
	bar := []byte(fmt.Sprintf("%-*s", limitColumns*3/2, ""))
	for i := range filled {
		bar[i] = '='
	}
	bar[limitColumns] = '|'
	mark, color := "  ", ""
	if *age > limit.Value {
		mark, color = "! ", orange
	}
	return p.paint(color, row+mark+string(bar))
}

type limitGroup struct {
	limit   *scenarios.Limit
	signals []int
}

// byLimit groups signals by their limit, the tightest first, those without one last.
func byLimit(shows []scenarios.Shown) (groups []limitGroup) {
	value := func(l *scenarios.Limit) time.Duration {
		if l == nil {
			return math.MaxInt64
		}
		return l.Value
	}
	for k := range shows {
		at := slices.IndexFunc(groups, func(g limitGroup) bool { return value(g.limit) == value(shows[k].AgeLimit()) })
		if at < 0 {
			at = len(groups)
			groups = append(groups, limitGroup{limit: shows[k].AgeLimit()})
		}
		groups[at].signals = append(groups[at].signals, k)
	}
	slices.SortStableFunc(groups, func(a, b limitGroup) int {
		switch x, y := value(a.limit), value(b.limit); {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	return groups
}

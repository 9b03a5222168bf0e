package reports

import (
	"fmt"
	"strconv"
	"strings"

	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// changes writes what a display has shown of the values of signals that change
// now and then.
func changes(p *page, d *study.Receiver) {
	t := newTable(p, "signal", "changes", "in time\n%", "never\n%", "delay\np50", "delay\np95", "wrong\n% of time", "wrong\nmean ms")
	var unsent, inMemory []string
	for i := range d.Signals {
		s := &d.Signals[i]
		v := s.Values
		if v == nil {
			continue
		}
		t.row(clean(s.Shown.Signal.Name), count(v.Changes), bare(v.InTime.Value, v.InTime.Defined), bare(v.Never.Value, v.Never.Defined),
			ms(v.Delay.P50), ms(v.Delay.P95), bare(v.WrongShare.Value, v.WrongShare.Defined), ms(v.WrongMean))
		if l := s.Shown.Limit; l != nil && l.Of == scenarios.OfChange && l.At == scenarios.InMemory {
			inMemory = append(inMemory, clean(s.Shown.Signal.Name))
		}
		if v.Overwritten > 0 {
			unsent = append(unsent, fmt.Sprintf("%s %s", clean(s.Shown.Signal.Name), count(v.Overwritten)))
		}
	}
	if len(t.rows) == 0 {
		return
	}
	p.heading(d.Name + ": changes of the value (delay: from the change to the glass, ms, of the changes shown)")
	t.write()
	p.paragraph("  ", "Wrong: the glass shows another value than the bus carried last.")
	if len(inMemory) > 0 {
		p.paragraph("  ", "As their limit says, changes count when they are in memory, not at the glass: "+strings.Join(inMemory, ", "))
	}
	if len(unsent) > 0 {
		p.paragraph("  ", "Further changes, undone before any frame carried them, which no bridge can show: "+strings.Join(unsent, ", "))
	}
	for i := range d.Signals {
		s := &d.Signals[i]
		if v := s.Values; v != nil && s.Shown.Class == scenarios.Event && v.Rises > 0 {
			seen := fmt.Sprintf("%s of %s pulses were seen, the others never", withInterval(v.RisesSeen, percent), count(v.Rises))
			if v.RisesSeen.Value == 1 {
				seen = "all " + plural(int(v.Rises), "pulse") + " were seen"
				if v.Rises == 1 {
					seen = "the only pulse was seen"
				}
			}
			p.paragraph("  ", fmt.Sprintf("%s: %s; age of incorrect information %s on average", clean(s.Shown.Signal.Name), seen, span(v.IncorrectAge.Value, v.IncorrectAge.Defined)))
		}
	}
}

// deadlines writes how soon each signal is there and how often in a row it was
// late.
func deadlines(p *page, d *study.Receiver) {
	p.heading(d.Name + ": first value after power-up (mean, slowest, starts without), and deadlines (each value of the bus at the glass within the limit; firm 8/10: 8 of 10 in a row met)")
	t := newTable(p, "signal", "first\nms", "slowest\nms", "never", "deadlines", "missed\n%", "longest\nstreak", "firm", "kept\n%")
	for i := range d.Signals {
		s := &d.Signals[i]
		row := []string{clean(s.Shown.Signal.Name), ms(s.First.Mean), millis(s.First.Max.Value, s.First.Max.Defined), strconv.Itoa(s.NeverShown)}
		if e := s.Deadlines; e != nil {
			row = append(row, count(e.Count), bare(e.Missed.Value, e.Missed.Defined), count(e.Longest),
				fmt.Sprintf("%d/%d", s.Shown.Firm.Met, s.Shown.Firm.Of), bare(e.Kept.Value, e.Kept.Defined))
		} else {
			row = append(row, dash, dash, dash, dash, dash)
		}
		t.row(row...)
	}
	t.write()
}

// expiries writes how often a display shows that a value is too old, and which
// expiry would do so rarely without cause.
func expiries(p *page, d *study.Receiver) {
	t := newTable(p, "signal", "expires\nms", "then", "expired\n% of time", "false\n% of time", "false\nper hour", "at most\nper hour", "needs\nms")
	set := false
	for i := range d.Signals {
		s := &d.Signals[i]
		row := []string{clean(s.Shown.Signal.Name), dash, dash, dash, dash, dash}
		if e := s.Expiry; e != nil {
			set = true
			row = []string{row[0], millis(s.Shown.Expire.Seconds(), true), s.Shown.Marked.String(), bare(e.Expired.Value, e.Expired.Defined),
				bare(e.False.Value, e.False.Defined), plain(e.FalseAlarm.Value, e.FalseAlarm.Defined)}
		}
		t.row(append(row, plain(s.Shown.FalseAlarms, true), millis(s.ExpiryFor, s.ExpiryFor > 0))...)
	}
	if !set {
		return
	}
	p.heading(d.Name + ": expiry (false: the bus had a value that was not too old; at most so many false alarms: needs such an expiry)")
	t.write()
}

type jsonChanges struct {
	Count        uint64        `json:"count"`
	Overwritten  uint64        `json:"overwritten"` // changed back before any frame carried it
	InTime       *jsonValue    `json:"in_time_share"`
	Never        *jsonValue    `json:"never_shown_share"`
	Delay        jsonStatistic `json:"delay_s"`
	Pulses       uint64        `json:"rises"`
	PulsesSeen   *jsonValue    `json:"rises_seen_share"`
	WrongShare   *jsonValue    `json:"wrong_share"`
	WrongMean    *jsonValue    `json:"wrong_mean_s"`
	WrongLongest *float64      `json:"wrong_longest_s"`
	IncorrectAge *jsonValue    `json:"incorrect_age_mean_s"`
}

type jsonDeadlines struct {
	Count   uint64     `json:"count"`
	Missed  *jsonValue `json:"missed_share"`
	Longest uint64     `json:"longest_streak"`
	Streaks []uint64   `json:"streaks"` // at [n-1]: how often n in a row were missed
	Met     int        `json:"firm_met"`
	Of      int        `json:"firm_of"`
	Kept    *jsonValue `json:"firm_kept_share"`
}

type jsonExpiry struct {
	After      *float64   `json:"after_s"`
	Shown      string     `json:"shown"`
	Expired    *jsonValue `json:"expired_share"`
	False      *jsonValue `json:"false_share"`
	FalseAlarm *jsonValue `json:"false_alarms_per_hour"`
	Suggested  *float64   `json:"suggested_s"` // for at most that many
	ForRate    *float64   `json:"for_alarms_per_hour"`
}

// values adds what goes beyond ages.
func values(j *jsonSignal, s *study.Signal) {
	j.Standing = figure(s.Standing)
	if s.Shown.Limit == nil {
		j.Standing = nil
	}
	j.Class, j.Late, j.First, j.NeverShown = s.Shown.Class.String(), value(s.Late), statistic(s.First), s.NeverShown
	if v := s.Values; v != nil {
		j.Changes = &jsonChanges{v.Changes, v.Overwritten, value(v.InTime), value(v.Never), statistic(v.Delay), v.Rises, value(v.RisesSeen),
			value(v.WrongShare), value(v.WrongMean), figure(v.WrongLongest), value(v.IncorrectAge)}
	}
	if d := s.Deadlines; d != nil {
		j.Deadlines = &jsonDeadlines{d.Count, value(d.Missed), d.Longest, d.Streaks, s.Shown.Firm.Met, s.Shown.Firm.Of, value(d.Kept)}
	}
	if e := s.Expiry; e != nil {
		j.Expiry = &jsonExpiry{figure(s.Shown.Expire.Seconds()), s.Shown.Marked.String(), value(e.Expired), value(e.False), value(e.FalseAlarm),
			figure(s.ExpiryFor), figure(s.Shown.FalseAlarms)}
	}
}

package reports

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/survey"
)

// signalTable says how each signal moves, those apart that want limits of their
// own kind.
func signalTable(p *page, s *Survey) {
	var still, absent, alive []string
	moving := map[survey.Movement][]placed{}
	for i := range s.Inventory.IDs {
		d := &s.Inventory.IDs[i]
		for j := range d.Signals {
			g := &d.Signals[j]
			switch {
			case g.Frames == 0:
				absent = append(absent, g.Name)
			case g.Movement == survey.Never:
				still = append(still, stillText(s, g))
			case g.Alive:
				alive = append(alive, g.Name)
			default:
				moving[g.Movement] = append(moving[g.Movement], placed{d, g})
			}
		}
	}
	for _, k := range []struct {
		movement survey.Movement
		text     string
	}{
		{survey.Constantly, "Signals that move constantly: the age limit goes by how fast (* = shown on a display)"},
		{survey.InPulses, "Signals in pulses: the age limit goes by the shortest pulse"},
		{survey.Rarely, "Signals that change rarely: the age limit goes by how soon a change must show"},
	} {
		movementTable(p, s, k.text, moving[k.movement])
	}
	if len(still)+len(absent)+len(alive) == 0 {
		return
	}
	p.heading("Signals that need no limit")
	for _, l := range []struct {
		label string
		names []string
	}{{"  never moved: ", still}, {"  counters, checksums: ", alive}, {"  in no frame: ", absent}} {
		if len(l.names) > 0 {
			p.paragraph(l.label, strings.Join(l.names, ", "))
		}
	}
}

// placed is a signal of an identifier.
type placed struct {
	id     *survey.ID
	signal *survey.Signal
}

func movementTable(p *page, s *Survey, text string, signals []placed) {
	if len(signals) == 0 {
		return
	}
	p.heading(text)
	last := "shortest ms\nbetween two"
	if signals[0].signal.Movement == survey.InPulses {
		last = "shortest\npulse ms"
	}
	t := newTable(p, "signal", "id", "changes\nper s", "range", "step used\n(there is)", last)
	t.left(2)
	t.left(4)
	if len(signals) > mostRows {
		p.paragraph("  ", fmt.Sprintf("The first %d of %d; --format csv has all.", mostRows, len(signals)))
		signals = signals[:mostRows]
	}
	for _, x := range signals {
		g := x.signal
		step := plain(g.Used, g.Used > 0)
		if g.Used > 0 && g.Used != g.Resolution() {
			step += " (" + bounded(g.Resolution()) + ")"
		}
		t.row(signalName(s, g), x.id.ID.String(), plain(g.PerSecond, true),
			cut(bounded(g.Low)+".."+bounded(g.High)+" "+g.Unit, 24), step, duration(shortestOf(g)))
	}
	t.write()
}

func signalName(s *Survey, g *survey.Signal) string {
	if s.Wanted[g] {
		return clean(g.Name) + " *"
	}
	return clean(g.Name)
}

// stillText writes a signal that never moved with its value.
func stillText(s *Survey, g *survey.Signal) string {
	text := signalName(s, g) + " = " + bounded(g.Last)
	if g.Label != "" {
		text += " (" + clean(g.Label) + ")"
	}
	return text
}

func shortestOf(g *survey.Signal) time.Duration {
	if g.Movement == survey.InPulses {
		return g.Pulse
	}
	return g.Shortest
}

// duration writes a time as bare milliseconds, a dash for none.
func duration(d time.Duration) string { return millis(d.Seconds(), d > 0) }

// regularityTable says when identifiers and their pages come.
func regularityTable(p *page, s *Survey) {
	p.heading("Regularity, ms (90 % of the intervals lie between 5 % and 95 %)")
	head := []string{"id", "name", "sent", "mean", "median", "5 %", "95 %", "shortest", "longest\nsilence", "stated"}
	t := newTable(p, head...)
	t.left(2)
	t.left(3)
	t.shrink = 2
	ids := slices.Clone(rows(p, s.Inventory.IDs))
	slices.SortFunc(ids, func(a, b survey.ID) int {
		return int(int64(a.ID.Priority(false)) - int64(b.ID.Priority(false)))
	})
	row := func(id, name string, r *survey.Rhythm, stated time.Duration) {
		t.row(id, name, r.Regularity.String(), millis(r.MeanExact/1e9, r.MeanExact > 0), duration(r.Median), duration(r.Low), duration(r.High),
			duration(r.Shortest), duration(r.Longest), duration(stated))
	}
	for i := range ids {
		d := &ids[i]
		row(d.ID.String(), cut(d.Name, 16), &d.Rhythm, d.Declared)
		for j := range d.Pages {
			row("", fmt.Sprintf("page %d", d.Pages[j].Number), &d.Pages[j].Rhythm, 0)
		}
		if d.Unpaged > 0 {
			p.paragraph("  ! ", fmt.Sprintf("%s: %s frames whose page could not be told apart", d.ID, count(d.Unpaged)))
		}
	}
	t.write()
	for _, g := range s.Inventory.Groups {
		var names []string
		for _, id := range g.IDs {
			names = append(names, id.String())
		}
		p.paragraph("  back to back: ", fmt.Sprintf("%s (at least %s of the frames)", strings.Join(names, " "), percent(g.Share, true)))
	}
}

// waitTable says how long messages may have to wait for the bus.
func waitTable(p *page, s *Survey) {
	if len(s.Waits) == 0 {
		return
	}
	p.heading("Worst case: from release to reception, ms; to the deadline (its period) with jitter")
	t := newTable(p, "id", "name", "shortest\nperiod", "blocked\nby", "bound", "answer", "in time")
	t.left(2)
	t.shrink = 2
	waits := slices.Clone(s.Waits)
	slices.SortStableFunc(waits, func(a, b survey.Wait) int {
		return int(int64(a.ID.Priority(false)) - int64(b.ID.Priority(false)))
	})
	left := 0
	for _, w := range waits {
		if w.Open {
			left++
			continue
		}
		if len(t.rows) == mostRows {
			continue
		}
		in := "yes"
		if !w.Meets() {
			in = "NO"
		}
		t.row(w.ID.String(), clean(w.Name), duration(w.Period), duration(w.Blocking), millis(w.Latency.Seconds(), w.Bounded), millis(w.Response.Seconds(), w.Bounded), in)
	}
	t.write()
	if left > 0 {
		p.paragraph("  ", fmt.Sprintf("%s without a bound: nothing says how close its releases may be.", plural(left, "message")))
	}
	if n := len(waits) - left; n > mostRows {
		p.paragraph("  ", fmt.Sprintf("The most urgent %d of %d; --format json has all.", mostRows, n))
	}
	for _, o := range s.Open {
		p.paragraph("  ! ", "not covered: "+o)
	}
}

// loadTable says how busy the bus was.
func loadTable(p *page, s *Survey) {
	p.heading("Load, % of the bus, over stretches of one length")
	t := newTable(p, "stretch", "how many", "median", "99 %", "busiest", "at s")
	for _, w := range s.Inventory.Windows {
		some := w.Stretches > 0
		t.row(shortTime(w.Length), count(w.Stretches), bare(w.Median, some), bare(w.Quantile99, some), bare(w.Most, some), plain(w.MostAt.Seconds(), some))
	}
	t.write()
	if s.Inventory.Fast > 0 && s.BitRate.Data == s.BitRate.Value {
		p.paragraph("  ! ", fmt.Sprintf("%s frames have a faster data phase, counted here at the nominal rate: give --data-bitrate", count(s.Inventory.Fast)))
	}
}

// oddities lists what a designer should know before trusting the rest.
func oddities(p *page, s *Survey) {
	inv := s.Inventory
	p.heading("Watch out")
	n := len(p.lines)
	if inv.Load > 1 {
		p.paragraph("  load: ", "more than the bus can carry: the bit rate or the unit of the stamps is wrong, or several buses were recorded as one")
	}
	for _, storm := range inv.Storms {
		p.paragraph("  storm: ", fmt.Sprintf("%s took %s of the bus for 100 ms from %s on, %s frames, where it usually takes %s; it stormed for %s in all",
			storm.ID, percent(storm.Load, true), long(storm.At.Seconds()), count(storm.Frames), percent(storm.Usual, true), long(storm.Lasted.Seconds())))
	}
	if inv.Silence >= time.Second {
		p.paragraph("  silence: ", fmt.Sprintf("no frame for %s from %s on", long(inv.Silence.Seconds()), long(inv.SilenceAt.Seconds())))
	}
	if s.Capture == nil && inv.Errors > 0 {
		p.paragraph("  errors: ", count(inv.Errors)+" error frames")
	}
	if s.Capture != nil {
		for _, note := range s.Capture.Notes() {
			p.paragraph("  capture: ", note)
		}
	}
	if len(inv.Unknown) > 0 {
		text := idList(inv.Unknown[:min(len(inv.Unknown), mostRows)])
		if more := len(inv.Unknown) - mostRows; more > 0 {
			text += fmt.Sprintf(" and %d more; --format json has all", more)
		}
		p.paragraph("  without an entry: ", text)
	}
	if len(inv.Unseen) > 0 {
		var names []string
		for _, u := range inv.Unseen {
			names = append(names, fmt.Sprintf("%s (%s)", clean(u.Name), u.ID))
		}
		p.paragraph("  never seen: ", strings.Join(names, ", "))
	}
	if len(p.lines) == n {
		p.paragraph("  ", "nothing odd")
	}
}

func idList(ids []bus.ID) string {
	var names []string
	for _, id := range ids {
		names = append(names, id.String())
	}
	return strings.Join(names, " ")
}

// databaseAnswer writes what a database holds.
func databaseAnswer(p *page, s *Survey) {
	signals, cyclic, paged, flexible, bases := 0, 0, 0, 0, 0
	for i := range s.Layouts {
		l := &s.Layouts[i]
		signals += len(l.Signals)
		if l.Period > 0 {
			cyclic++
		}
		if l.Selector != nil {
			paged++
		}
		if l.FD {
			flexible++
		}
		if !l.ID.IsExtended() {
			bases++
		}
	}
	p.paragraph("holds    ", fmt.Sprintf("%s and %s; %s %s", plural(len(s.Layouts), "message"), plural(signals, "signal"), s.Kind, clean(s.Name)))
	p.paragraph("kinds    ", fmt.Sprintf("%d with 11-bit, %d with 29-bit identifiers; %d in FD format; %d paged", bases, len(s.Layouts)-bases, flexible, paged))
	p.paragraph("cyclic   ", fmt.Sprintf("%d of them state a cycle time", cyclic))
	p.paragraph("load     ", fmt.Sprintf("%s to %s of a bus of %s by these, without and with the most stuff bits",
		percent(s.DeclaredLeast, cyclic > 0), percent(s.DeclaredMost, cyclic > 0), bitRateText(s.BitRate.Value)))
	late := 0
	for i := range s.Waits {
		if w := &s.Waits[i]; !w.Open && !w.Meets() {
			late++
		}
	}
	p.paragraph("in time  ", fmt.Sprintf("%d of %d are always sent before the next one is due", cyclic-late, cyclic))
	p.paragraph("bitrate  ", bitRateText(s.BitRate.Value)+": "+s.BitRate.Reason)
}

func databaseMessages(p *page, s *Survey) {
	p.heading("Messages")
	t := newTable(p, "id", "message", "bytes", "cycle\nms", "signals", "pages by")
	t.left(2)
	t.left(6)
	t.shrink = 2
	for i := range s.Layouts {
		l := &s.Layouts[i]
		selector := ""
		if l.Selector != nil {
			selector = fmt.Sprintf("bits %d..%d", l.Selector.Start, l.Selector.Start+l.Selector.Bits-1)
			if l.Selector.BigEndian {
				selector = fmt.Sprintf("%d bits from %d down", l.Selector.Bits, l.Selector.Start)
			}
		}
		t.row(l.ID.String(), clean(l.Name), fmt.Sprint(l.Length), duration(l.Period), fmt.Sprint(len(l.Signals)), selector)
	}
	t.write()
}

func databaseSignals(p *page, s *Survey) {
	p.heading("Signals")
	t := newTable(p, "signal", "message", "start", "bits", "order", "lowest", "highest", "step", "unit")
	for _, column := range []int{2, 5, 9} {
		t.left(column)
	}
	n := 0
	for i := range s.Layouts {
		l := &s.Layouts[i]
		for j := range l.Signals {
			d := &l.Signals[j]
			if n++; n > mostRows {
				continue
			}
			low, high := rangeOf(l, j)
			t.row(cut(d.Name, 28), cut(l.Name, 16), fmt.Sprint(d.Start), fmt.Sprint(d.Bits), order(l, j), low, high, plain(d.Resolution(), !d.Float), cut(d.Unit, 8))
		}
	}
	t.write()
	if n > mostRows {
		p.paragraph("  ", fmt.Sprintf("The first %d of %d; --format csv has all.", mostRows, n))
	}
}

func order(l *survey.Layout, signal int) string {
	if l.Signals[signal].BigEndian {
		return "big"
	}
	return "little"
}

func rangeOf(l *survey.Layout, signal int) (low, high string) {
	d := &l.Signals[signal]
	if d.Float || d.Check() != nil {
		return dash, dash
	}
	a, b := d.Range()
	return bounded(a), bounded(b)
}

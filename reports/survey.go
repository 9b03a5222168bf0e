package reports

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/capture"
	"stalegauge/bus/survey"
)

// Survey is what an inspection found, ready to be written.
type Survey struct {
	Name      string // of the capture, scenario or database
	Kind      string // what it is, in a few words
	Version   string
	Inventory *survey.Inventory // nil for a database alone
	Capture   *capture.Report   // nil where nothing was read from a file
	Waits     []survey.Wait     // bounds, nil where there are none
	Open      []string          // what they do not cover
	// Wanted are the signals of the inventory that displays show, nil = not known.
	Wanted  map[*survey.Signal]bool
	Layouts []survey.Layout // of the database, for one alone
	Notes   []string        // what else a reader should know
	BitRate survey.BitRate
	// The load that a database's cycle times ask for, 0..1.
	DeclaredMost, DeclaredLeast float64
}

// mostRows bounds the tables of a text report; JSON and CSV have all.
const mostRows = 400

// SurveyText writes the report for people: six lines that answer, then what a
// designer has to decide on: cost, contents, regularity.
func SurveyText(w io.Writer, s *Survey, o TextOptions) error {
	o.Width = max(o.Width, minWidth)
	p := &page{options: o}
	if s.Inventory == nil {
		databaseAnswer(p, s)
		databaseMessages(p, s)
		waitTable(p, s)
		databaseSignals(p, s)
	} else {
		surveyAnswer(p, s)
		costTable(p, s)
		contentTable(p, s)
		signalTable(p, s)
		regularityTable(p, s)
		waitTable(p, s)
		loadTable(p, s)
		oddities(p, s)
	}
	for _, n := range s.Notes {
		p.paragraph("  ! ", n)
	}
	_, err := io.WriteString(w, p.String())
	return err
}

// surveyAnswer writes the six lines.
func surveyAnswer(p *page, s *Survey) {
	inv := s.Inventory
	p.paragraph("heard    ", fmt.Sprintf("%s frames/s of %s in %s; %s %s", plain(inv.PerSecond, inv.Span > 0),
		plural(len(inv.IDs), "identifier"), long(inv.Span.Seconds()), s.Kind, clean(s.Name)))
	p.paragraph("bitrate  ", bitRateText(inv.BitRate.Value)+": "+inv.BitRate.Reason)
	busiest := ""
	for _, w := range inv.Windows {
		if w.Stretches > 0 {
			busiest += fmt.Sprintf("; busiest %s %s", shortTime(w.Length), percent(w.Most, true))
		}
	}
	p.paragraph("load     ", percent(inv.Load, inv.Span > 0)+" of the bus"+busiest)
	p.paragraph("carries  ", carries(s))
	p.paragraph("regular  ", regular(inv))
	p.paragraph("watch    ", watch(s))
}

// carries says what the signals do, or the bits where no signals are known.
func carries(s *Survey) string {
	inv := s.Inventory
	moves, still, wanted, signals := 0, 0, []string{}, 0
	alive, constant := 0, 0
	for i := range inv.IDs {
		d := &inv.IDs[i]
		if d.Like.Alive {
			alive++
		}
		if d.Moved == 0 {
			constant++
		}
		for j := range d.Signals {
			g := &d.Signals[j]
			if g.Frames == 0 {
				continue
			}
			signals++
			if g.Movement == survey.Never {
				still++
				if s.Wanted[g] {
					wanted = append(wanted, g.Name)
				}
			} else {
				moves++
			}
		}
	}
	text := fmt.Sprintf("%s never changed, %d only by what looks like counters and checksums", plural(constant, "identifier"), alive)
	if signals > 0 {
		text = fmt.Sprintf("%d of %s moved; ", moves, plural(signals, "signal")) + text
	}
	if len(wanted) > 0 {
		text += "; wanted and never moved: " + strings.Join(wanted, ", ")
	}
	return text
}

func regular(inv *survey.Inventory) string {
	var counts [survey.Unclear + 1]int
	for i := range inv.IDs {
		counts[inv.IDs[i].Regularity]++
	}
	var parts []string
	for _, r := range []survey.Regularity{survey.Cyclic, survey.Mixed, survey.OnEvent, survey.Unclear, survey.Once} {
		if counts[r] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", counts[r], r))
		}
	}
	if len(inv.Groups) > 0 {
		parts = append(parts, plural(len(inv.Groups), "group")+" back to back")
	}
	if len(parts) == 0 {
		return "no data or remote frame was met"
	}
	return strings.Join(parts, ", ")
}

// channelsMixed is of how many channels the frames were read as if of one bus, 0
// where there is one.
func channelsMixed(c *capture.Report) int {
	if c == nil || c.OtherChannel > 0 {
		return 0
	}
	n := 0
	for i := range c.Channels {
		if c.Channels[i].Frames > 0 {
			n++
		}
	}
	if n < 2 {
		return 0
	}
	return n
}

// watch lists what is odd in a line.
func watch(s *Survey) string {
	inv := s.Inventory
	var parts []string
	add := func(n uint64, one, many string) {
		switch n {
		case 0:
		case 1:
			parts = append(parts, "1 "+one)
		default:
			parts = append(parts, count(n)+" "+many)
		}
	}
	if inv.Load > 1 {
		parts = append(parts, "more load than the bus can carry")
	}
	if n := channelsMixed(s.Capture); n > 0 {
		parts = append(parts, fmt.Sprintf("%d channels read as one bus", n))
	}
	add(inv.Others, "frame of further identifiers, not told apart", "frames of further identifiers, not told apart")
	add(uint64(len(inv.Storms)), "storm", "storms")
	add(inv.Gaps, "gap", "gaps")
	add(inv.Errors, "error frame", "error frames")
	if c := s.Capture; c != nil {
		add(uint64(c.Truncated), "file cut off at the end", "files cut off at the end")
		add(uint64(c.Overruns), "overrun of the logger", "overruns of the logger")
		add(uint64(c.Sorted+c.Late+c.Damaged), "step back in time", "steps back in time")
		unit := "line"
		if c.Shape == capture.PCAP || c.Shape == capture.PCAPNG {
			unit = "packet"
		}
		add(uint64(c.Unreadable+c.TooLong), unit+" not understood", unit+"s not understood")
	}
	add(uint64(len(inv.Unknown)), "identifier without an entry", "identifiers without an entry")
	add(uint64(len(inv.Unseen)), "entry never seen", "entries never seen")
	if len(parts) == 0 {
		return "nothing odd"
	}
	return strings.Join(parts, ", ")
}

func bitRateText(rate int) string {
	switch {
	case rate >= 1_000_000 && rate%100_000 == 0:
		return significant(float64(rate)/1e6) + " Mbit/s"
	default:
		return significant(float64(rate)/1e3) + " kbit/s"
	}
}

// shortTime writes a length such as 10 ms or 1 s.
func shortTime(d time.Duration) string {
	if d < time.Second {
		return fmt.Sprintf("%d ms", d.Milliseconds())
	}
	return fmt.Sprintf("%d s", int(d.Seconds()))
}

// rows returns the first identifiers of a table and says how many are left out.
func rows(p *page, ids []survey.ID) []survey.ID {
	if len(ids) <= mostRows {
		return ids
	}
	p.paragraph("  ", fmt.Sprintf("The costliest %d of %d; --format csv has all.", mostRows, len(ids)))
	return ids[:mostRows]
}

// costTable says what identifiers cost: on the bus, and on the air if every frame
// were forwarded in a record of the layout id.
func costTable(p *page, s *Survey) {
	p.heading("Cost: what each identifier takes of the bus, and of the air if all its frames were forwarded")
	ids := rows(p, s.Inventory.IDs)
	t := newTable(p, "id", "name", "frames", "per s", "bytes", "bits\nmean", "bus\n%", "air\nbytes/s")
	t.left(2)
	t.shrink = 2
	for i := range ids {
		d := &ids[i]
		t.row(d.ID.String(), clean(d.Name), count(d.Frames), perSecond(&d.Rhythm), lengths(d), significant(d.Bits),
			bare(d.Load, true), airCost(d))
	}
	t.write()
	if n := s.Inventory.Others; n > 0 {
		p.paragraph("  ! ", count(n)+" frames of further identifiers, not told apart")
	}
}

func perSecond(r *survey.Rhythm) string { return plain(1e9/r.MeanExact, r.MeanExact > 0) }

func lengths(d *survey.ID) string {
	text := fmt.Sprint(d.Length)
	if d.MinLength != d.Length {
		text = fmt.Sprintf("%d..%d", d.MinLength, d.Length)
	}
	if d.Remotes > 0 {
		text += "R"
	}
	if d.Flexible > 0 {
		text += "F"
	}
	return text
}

// recordBytes is the record of an identifier in the layout id.
func surveyRecordBytes(d *survey.ID) int {
	return bridge.NewCodec(bridge.Layout{}, []bridge.Forward{{ID: d.ID, Length: d.Length}}).RecordSize(0, d.Length)
}

func airCost(d *survey.ID) string {
	if d.Remotes == d.Frames {
		return dash // nothing to forward
	}
	return plain(float64(surveyRecordBytes(d))*1e9/d.MeanExact, d.MeanExact > 0)
}

// contentTable says what the bytes do.
func contentTable(p *page, s *Survey) {
	p.heading("Contents: bits that changed (two hex digits a byte, .. never), share of frames that differ")
	t := newTable(p, "id", "name", "changing bits", "differ\n%", "counter, checksum?\n(byte:bits)")
	t.left(2)
	t.left(3)
	t.left(5)
	t.shrink = 5
	still := 0
	var fixed []string
	for _, d := range rows(p, s.Inventory.IDs) {
		if d.Moved == 0 {
			still++
			fixed = append(fixed, d.ID.String())
			continue
		}
		t.row(d.ID.String(), clean(d.Name), maskText(d.Changing), bare(d.Moved, true), likeText(&d))
	}
	t.write()
	if still > 0 {
		slices.Sort(fixed)
		p.paragraph("  never changed: ", strings.Join(fixed, " "))
	}
}

// maskText writes the bits that changed, a byte after the other.
func maskText(mask []byte) string {
	var b strings.Builder
	for i, m := range mask {
		if i > 0 && i%8 == 0 {
			b.WriteByte('\n')
		}
		if m == 0 {
			b.WriteString("..")
		} else {
			fmt.Fprintf(&b, "%02X", m)
		}
	}
	return b.String()
}

func likeText(d *survey.ID) string {
	var parts []string
	for _, f := range d.Like.Counters {
		parts = append(parts, fmt.Sprintf("counter %d:%d-%d", f.First/8, f.First%8, f.First%8+f.Bits-1))
	}
	for _, at := range d.Like.Checksums {
		parts = append(parts, fmt.Sprintf("checksum %d", at))
	}
	if d.Like.Alive {
		parts = append(parts, "nothing else")
	}
	return strings.Join(parts, ", ")
}

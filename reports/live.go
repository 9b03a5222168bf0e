package reports

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim/age"
	"stalegauge/sim/live"
	"stalegauge/sim/study"
)

// Live is the answer of a run on a wall clock: what was sent, what was heard, or
// both.
type Live struct {
	Version  string
	Plan     *scenarios.Plan // nil = the listener knew of none
	Speed    string
	Bridges  int
	Sent     *live.Sent    // nil = nothing was sent by this program
	Ramp     *live.Ramp    // nil = the rate was not changed
	Heard    *live.Outcome // nil = nobody listened in this program
	Untested []string      // what this run says nothing about, in sentences
}

// LiveText writes the report for people: the answer first, tables follow.
func LiveText(w io.Writer, r *Live, o TextOptions) error {
	o.Width = max(o.Width, minWidth)
	p := &page{options: o}
	liveAnswer(p, r)
	if r.Ramp != nil {
		liveRamp(p, r.Ramp)
	}
	if r.Heard != nil {
		liveSignals(p, r.Heard)
		liveIntervals(p, r.Heard)
		liveRecords(p, r.Heard)
		liveHeard(p, r.Heard)
	}
	if r.Sent != nil {
		liveSent(p, r)
	}
	if len(r.Untested) > 0 {
		p.heading("Not tested")
		for _, text := range r.Untested {
			p.paragraph("  - ", text)
		}
	}
	cautions(p)
	_, err := io.WriteString(w, p.String())
	return err
}

// liveAnswer writes the lines that answer.
func liveAnswer(p *page, r *Live) {
	if s := r.Sent; s != nil {
		p.paragraph("sent     ", sentLine(s))
		p.paragraph("late     ", sentLate(r))
	} else {
		p.paragraph("heard    ", heardLine(r.Heard))
		p.paragraph("late     ", lateLine(r.Heard.Lateness))
	}
	h := r.Heard
	if h == nil {
		return
	}
	p.paragraph("lost     ", liveLost(h))
	p.paragraph("limits   ", liveLimits(h))
	p.paragraph("ages     ", agesLine(h))
	p.paragraph("clock    ", clockLine(h))
}

func sentLine(s *live.Sent) string {
	text := fmt.Sprintf("%s datagrams in %s: %s/s", count(s.Datagrams), long(s.Elapsed.Seconds()), bounded(s.Achieved()))
	if s.Asked > 0 {
		text += fmt.Sprintf(" of %s/s asked for", bounded(s.Asked))
	}
	if s.Stopped {
		text += "; stopped before the end"
	}
	return text
}

func heardLine(h *live.Outcome) string {
	if !h.Began {
		return fmt.Sprintf("no datagram of the own set; %s of others", count(h.Counts.Datagrams))
	}
	return fmt.Sprintf("%s datagrams in %s, %s of the own set", count(h.Counts.Datagrams), long(h.Span.Seconds()), count(h.Counts.Own))
}

// sentLate says how late the sender was, where its datagrams were due at instants.
func sentLate(r *Live) string {
	if r.Speed == "max" {
		return "as fast as possible: nothing was due"
	}
	return lateLine(&r.Sent.Lateness)
}

func lateLine(l *age.Points) string {
	if l.Count() == 0 {
		return "not known"
	}
	text := fmt.Sprintf("p50 %s, p99 %s, max %s behind the clock",
		span(l.Quantile(.5)/1e9, true), span(l.Quantile(.99)/1e9, true), span(l.Max().Seconds(), true))
	if time.Duration(l.Quantile(.99)) > live.BusyLateness {
		text += ": HOST TOO BUSY"
	}
	return text
}

func liveLost(h *live.Outcome) string {
	c := &h.Counts
	text := fmt.Sprintf("%s of %s missing", count(c.Missing), count(c.Heard+c.Missing))
	if c.Missing > 0 {
		text += fmt.Sprintf(" (%s) in %s of %s", percent(float64(c.Missing)/float64(c.Heard+c.Missing), true),
			plural(int(c.RunCount()), "run"), bounded(float64(c.Missing)/float64(c.RunCount())))
	}
	switch {
	case !h.DropsKnown:
		return text + "; the kernel tells no drops here"
	default:
		return text + "; the kernel dropped " + count(h.Drops)
	}
}

func liveLimits(h *live.Outcome) string {
	switch {
	case h.Busy:
		return fmt.Sprintf("host too busy, no verdict: 1 %% of the datagrams were later than %s", span(h.Late.Seconds(), true))
	case h.Live == nil:
		return "no verdict: " + h.Note
	}
	n := map[study.Verdict]int{}
	all := 0
	for _, d := range h.Live.Receivers {
		for i := range d.Signals {
			if v := d.Signals[i].Verdict; v != study.NoLimit {
				n[v]++
				all++
			}
		}
	}
	return fmt.Sprintf("%d met, %d missed, %d undecided of %s, as measured", n[study.Met], n[study.Missed], n[study.Undecided], plural(all, "limit"))
}

func agesLine(h *live.Outcome) string {
	if h.Busy {
		return "host too busy, no verdict"
	}
	agree, all := 0, 0
	for i := range h.Comparisons {
		if c := &h.Comparisons[i]; c.Compared {
			all++
			if c.Agrees {
				agree++
			}
		}
	}
	if all == 0 {
		return "not compared: " + h.Note
	}
	return fmt.Sprintf("%d of %s as predicted, within %s", agree, plural(all, "signal"), span(h.Tolerance.Seconds(), true))
}

func clockLine(h *live.Outcome) string {
	c := &h.Counts
	switch {
	case !h.Began:
		return "no sender"
	case c.Untimed == c.Own:
		return "the sender tells no times: gaps and intervals, no ages"
	case c.SameClock:
		return "the sender's is this host's, offset 0"
	default:
		return fmt.Sprintf("the sender has its own, drift %.0f ppm: every age is AT LEAST what is told, by the shortest delay of the way", -c.Drift*1e6)
	}
}

// liveSignals writes the measurement with the prediction beside it.
func liveSignals(p *page, h *live.Outcome) {
	if h.Live == nil {
		return
	}
	for i := range h.Live.Receivers {
		d := &h.Live.Receivers[i]
		p.heading("Display " + d.Name + ": age at the glass, ms by time, live (predicted); fits: p50 and p95 as predicted for a host so late")
		t := newTable(p, "signal", "limit", "verdict", "p50", "p95", "p99", "max", "fits")
		t.left(3)
		t.left(8)
		for k := range d.Signals {
			s := &d.Signals[k]
			var predicted study.Signal
			agrees := dash
			for j := range h.Comparisons {
				if c := &h.Comparisons[j]; c.Receiver == d.Name && c.Signal == s.Shown.Signal.Name && c.Compared {
					predicted, agrees = c.Predicted, map[bool]string{true: "+", false: "!"}[c.Agrees]
				}
			}
			verdict := p.verdict(s.Verdict)
			if h.Busy {
				verdict, agrees = dash, dash
			}
			limit := dash
			if l := s.Shown.Limit; l != nil {
				limit = millis(l.Value.Seconds(), true) + limitMark(l.Of)
			}
			t.row(clean(s.Shown.Signal.Name), limit, verdict, beside(s.Age.P50, predicted.Age.P50), beside(s.Age.P95, predicted.Age.P95),
				ms(s.Age.P99), millis(s.Age.Max.Value, s.Age.Max.Defined), agrees)
		}
		t.write()
		if !h.Busy {
			reasons(p, d)
		}
	}
}

func beside(live, predicted study.Value) string {
	if !predicted.Defined {
		return ms(live)
	}
	return ms(live) + " (" + ms(predicted) + ")"
}

// liveIntervals writes how far apart records came, where there are no ages.
func liveIntervals(p *page, h *live.Outcome) {
	if h.Live != nil || len(h.Intervals) == 0 {
		return
	}
	p.heading("Intervals from record to record, ms (no ages)")
	t := newTable(p, "identifier", "page", "records", "p50", "p95", "p99", "max")
	for _, v := range h.Intervals {
		page := dash
		if v.Page != bridge.NoPage {
			page = fmt.Sprint(v.Page)
		}
		some := v.Count() > 0
		t.row(v.ID.String(), page, count(v.Count()+1), millis(v.Quantile(.5)/1e9, some), millis(v.Quantile(.95)/1e9, some),
			millis(v.Quantile(.99)/1e9, some), millis(v.Max().Seconds(), some))
	}
	t.write()
}

// liveRecords writes what became of the records at each display.
func liveRecords(p *page, h *live.Outcome) {
	if h.Live == nil {
		return
	}
	p.heading("Records that arrived, by display")
	for i := range h.Live.Receivers {
		p.paragraph("  "+cut(h.Live.Receivers[i].Name, 24)+"  ", strings.Replace(recordLine(&h.Live.Receivers[i]), " sent:", " records:", 1))
	}
}

// liveHeard writes every datagram by what it was.
func liveHeard(p *page, h *live.Outcome) {
	c := &h.Counts
	p.heading("Datagrams that arrived, by what they were")
	t := newTable(p, "what", "datagrams")
	for _, l := range countLines(c) {
		t.row(l.name, count(l.n))
	}
	t.write()
	for _, set := range slices.Sorted(maps.Keys(c.Sets)) {
		p.paragraph("  ", fmt.Sprintf("set %d: %s", set, count(c.Sets[set])))
	}
	p.paragraph("  ", fmt.Sprintf("Sequence: %s heard, %s missing, %s heard again, %s out of order, longest run of losses %s; sender restarted %d times, clock stepped %d times.",
		count(c.Heard), count(c.Missing), count(c.Duplicates), count(c.Reordered), count(c.Longest), c.Restarts, c.Steps))
	if h.Silent > time.Second {
		p.paragraph("  ", fmt.Sprintf("The sender fell silent %s before the end: that is left out.", long(h.Silent.Seconds())))
	}
	if c.Oldest > 0 {
		p.paragraph("  ", fmt.Sprintf("%s records were as old as the layout can tell, or older.", count(c.Oldest)))
	}
	liveBuffers(p, "receive", h.Asked, h.Buffer)
	liveRates(p, h)
}

type countLine struct {
	name string
	n    uint64
}

// countLines are the kinds of datagram, which sum up to all of them.
func countLines(c *live.Counts) []countLine {
	lines := []countLine{{"own_set", c.Own}, {"foreign_set", c.Foreign}, {"other_sender", c.OtherSender}}
	for f, n := range c.Malformed {
		lines = append(lines, countLine{bridge.Fault(f).String(), n})
	}
	return lines
}

func liveBuffers(p *page, which string, asked, got int) {
	if asked == 0 {
		return
	}
	text := "what was got is unknown here"
	if got > 0 {
		text = count(uint64(got)) + " got"
	}
	p.paragraph("  ", fmt.Sprintf("Socket's %s buffer: %s bytes asked for, %s.", which, count(uint64(asked)), text))
}

// liveRates writes the loss by the rate of sending, where that changed.
func liveRates(p *page, h *live.Outcome) {
	used := 0
	for _, o := range h.Rates {
		if o.Seconds > 0 {
			used++
		}
	}
	if used < 2 {
		return
	}
	p.heading("Loss by the rate of sending, second by second")
	t := newTable(p, "datagrams/s", "seconds", "sent", "heard", "lost\n%")
	for k, o := range h.Rates {
		if o.Seconds == 0 {
			continue
		}
		lost := 1 - float64(min(o.Heard, o.Sent))/float64(max(o.Sent, 1))
		t.row(fmt.Sprintf("%d..%d", 1<<max(k-1, 0)-max(1-k, 0), 1<<k-1), count(o.Seconds), count(o.Sent), count(o.Heard), bare(lost, o.Sent > 0))
	}
	t.write()
}

// liveRamp writes the steps of a ramp.
func liveRamp(p *page, r *live.Ramp) {
	text := "not judged here: the listener has the loss by rate"
	if r.Knee > 0 {
		text = bounded(r.Knee) + " datagrams/s"
	} else if len(r.Steps) > 0 && !r.Steps[0].Passed {
		text = "below " + bounded(r.Steps[0].Asked) + " datagrams/s"
	}
	p.paragraph("knee     ", text+"; "+r.Ended)
	p.heading("Ramp: what was measured at each rate")
	t := newTable(p, "asked\n/s", "achieved\n/s", "heard", "lost\n%", "queue full\n%", "passed", "why not")
	t.left(6)
	t.left(7)
	t.shrink = 7
	for _, s := range r.Steps {
		t.row(bounded(s.Asked), bounded(s.Achieved), count(s.Heard), bare(s.Loss, s.Sent > 0), bare(s.QueueLoss, s.Sent > 0),
			map[bool]string{true: "+ yes", false: "! no"}[s.Passed], clean(s.Why))
	}
	t.write()
}

// liveSent writes what the bridges did and where it went.
func liveSent(p *page, r *Live) {
	s := r.Sent
	p.heading("Where it went")
	t := newTable(p, "to", "sent", "bytes", "lost by\nits weather", "failed")
	for _, o := range s.Outputs {
		t.row(clean(o.Name), count(o.Sent), count(o.Bytes), count(o.Faded), count(o.Failed))
	}
	t.write()
	for _, o := range s.Outputs {
		for _, text := range slices.Sorted(maps.Keys(o.Errors)) {
			p.paragraph("  ! ", fmt.Sprintf("%s: %s: %s", o.Name, plural(int(o.Errors[text]), "failure"), text))
		}
		if o.Refused > 0 {
			p.paragraph("  ! ", fmt.Sprintf("%s: %s refused there: nobody listened, or for a while", o.Name, plural(int(o.Refused), "datagram")))
		}
		liveBuffers(p, "send", o.Asked, o.Buffer)
	}
	if s.Held > 0 {
		p.paragraph("  ", count(s.Held)+" datagrams waited for the rate that was set.")
	}
	if s.Steps > 0 {
		p.paragraph("  ", fmt.Sprintf("The wall clock was set %d times; the send times followed.", s.Steps))
	}
	p.heading("Bridges: bus frames by fate")
	var rest live.BridgeSent
	for i, b := range s.Bridges {
		if i >= bridgeLines {
			rest.Frames += b.Frames
			for k, n := range b.Fates {
				rest.Fates[k] += n
			}
			continue
		}
		p.paragraph(fmt.Sprintf("  set %-5d  ", b.Set), bridgeFates(&b))
	}
	if n := len(s.Bridges) - bridgeLines; n > 0 {
		p.paragraph(fmt.Sprintf("  %d more   ", n), bridgeFates(&rest))
	}
}

// bridgeLines is of how many bridges each has a line of its own.
const bridgeLines = 8

func bridgeFates(b *live.BridgeSent) string {
	return strings.Replace(cmp.Or(tally[fate.Frame](b.Fates[:]), "no frames"), " sent:", " frames:", 1)
}

package reports

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io"
	"strconv"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/sim/age"
	"stalegauge/sim/live"
	"stalegauge/sim/study"
)

// liveFact is one figure of a live run. What it is about stands before it, what
// does not apply is empty.
type liveFact struct {
	Part     string   `json:"part"` // sent, heard, signal, ramp, interval
	Of       string   `json:"of"`   // output, set, display, rate or identifier
	Signal   string   `json:"signal"`
	Quantity string   `json:"quantity"` // ends with its unit
	Value    *float64 `json:"value"`
	Text     string   `json:"text"` // where the quantity is no number
}

// liveFacts collects them.
type liveFacts struct {
	part, of, signal string
	all              []liveFact
}

func (f *liveFacts) figure(quantity string, v float64, defined bool) {
	fact := liveFact{Part: f.part, Of: f.of, Signal: f.signal, Quantity: quantity}
	if v, ok := finite(v, defined); ok {
		v += 0
		fact.Value = &v
	}
	f.all = append(f.all, fact)
}

func (f *liveFacts) number(quantity string, n uint64) { f.figure(quantity, float64(n), true) }

func (f *liveFacts) text(quantity, text string) {
	f.all = append(f.all, liveFact{Part: f.part, Of: f.of, Signal: f.signal, Quantity: quantity, Text: text})
}

func (f *liveFacts) about(part, of, signal string) { f.part, f.of, f.signal = part, of, signal }

func (f *liveFacts) points(name string, p *age.Points) {
	some := p.Count() > 0
	f.figure(name+"_p50_s", p.Quantile(.5)/1e9, some)
	f.figure(name+"_p99_s", p.Quantile(.99)/1e9, some)
	f.figure(name+"_max_s", p.Max().Seconds(), some)
}

// factsOf takes a live run apart.
func factsOf(r *Live) []liveFact {
	f := &liveFacts{}
	if r.Sent != nil {
		f.sent(r)
	}
	if r.Ramp != nil {
		f.ramp(r.Ramp)
	}
	if r.Heard != nil {
		f.heard(r.Heard)
	}
	f.about("not_tested", "", "")
	for _, text := range r.Untested {
		f.text("sentence", text)
	}
	return f.all
}

func (f *liveFacts) sent(r *Live) {
	s := r.Sent
	f.about("sent", "", "")
	f.text("speed", r.Speed)
	f.number("datagrams", s.Datagrams)
	f.figure("elapsed_s", s.Elapsed.Seconds(), true)
	f.figure("asked_per_s", s.Asked, s.Asked > 0)
	f.figure("achieved_per_s", s.Achieved(), true)
	f.points("lateness", &s.Lateness)
	f.number("held", s.Held)
	f.number("clock_steps", s.Steps)
	for _, o := range s.Outputs {
		f.about("sent", o.Name, "")
		f.number("datagrams", o.Sent)
		f.number("payload_bytes", o.Bytes)
		f.number("faded", o.Faded)
		f.number("failed", o.Failed)
		f.number("refused", o.Refused)
		f.figure("buffer_asked_bytes", float64(o.Asked), o.Asked > 0)
		f.figure("buffer_got_bytes", float64(o.Buffer), o.Buffer > 0)
	}
	for _, b := range s.Bridges {
		f.about("sent", "set "+strconv.Itoa(int(b.Set)), "")
		f.number("frames", b.Frames)
		for k, n := range b.Fates {
			f.number("frames_"+fate.Frame(k).String(), n)
		}
	}
}

func (f *liveFacts) ramp(r *live.Ramp) {
	f.about("ramp", "", "")
	f.figure("knee_per_s", r.Knee, r.Knee > 0)
	f.text("ended", r.Ended)
	for _, s := range r.Steps {
		f.about("ramp", bounded(s.Asked)+"/s", "")
		f.figure("achieved_per_s", s.Achieved, true)
		f.figure("loss_share", s.Loss, s.Sent > 0)
		f.figure("queue_full_share", s.QueueLoss, s.Sent > 0)
		f.text("passed", map[bool]string{true: "yes", false: "no"}[s.Passed])
		f.text("why", s.Why)
	}
}

func (f *liveFacts) heard(h *live.Outcome) {
	c := &h.Counts
	f.about("heard", "", "")
	f.figure("span_s", h.Span.Seconds(), h.Began)
	f.number("datagrams", c.Datagrams)
	for _, l := range countLines(c) {
		f.number(l.name, l.n)
	}
	f.number("sequence_heard", c.Heard)
	f.number("sequence_missing", c.Missing)
	f.number("sequence_duplicates", c.Duplicates)
	f.number("sequence_reordered", c.Reordered)
	f.number("loss_runs", c.RunCount())
	f.number("loss_run_longest", c.Longest)
	f.number("untimed", c.Untimed)
	f.number("sender_restarts", c.Restarts)
	f.number("clock_steps", c.Steps)
	f.figure("kernel_drops", float64(h.Drops), h.DropsKnown)
	f.figure("buffer_got_bytes", float64(h.Buffer), h.Buffer > 0)
	f.points("lateness", h.Lateness)
	f.figure("tolerance_s", h.Tolerance.Seconds(), true)
	f.text("clock", clockLine(h))
	f.text("host", map[bool]string{true: "too busy", false: "fit"}[h.Busy])
	f.text("note", h.Note)
	f.signals(h)
	for _, v := range h.Intervals {
		of := v.ID.String()
		if v.Page != bridge.NoPage {
			of += " page " + strconv.Itoa(v.Page)
		}
		f.about("interval", of, "")
		f.number("records", v.Count()+1)
		f.points("interval", &v.Points)
	}
}

func (f *liveFacts) signals(h *live.Outcome) {
	if h.Live == nil {
		return
	}
	for i := range h.Live.Receivers {
		d := &h.Live.Receivers[i]
		f.about("display", d.Name, "")
		for k, n := range d.RecordFates {
			f.number("records_"+fate.Record(k).String(), n)
		}
		for k := range d.Signals {
			s := &d.Signals[k]
			f.about("signal", d.Name, s.Shown.Signal.Name)
			f.text("verdict", verdictOf(h, s))
			f.ages("live", s)
			for j := range h.Comparisons {
				if c := &h.Comparisons[j]; c.Receiver == d.Name && c.Signal == s.Shown.Signal.Name && c.Compared {
					f.ages("predicted", &c.Predicted)
					if !h.Busy {
						f.text("as_predicted", map[bool]string{true: "yes", false: "no"}[c.Agrees])
					}
				}
			}
		}
	}
}

func verdictOf(h *live.Outcome, s *study.Signal) string {
	if h.Busy {
		return "none: host too busy"
	}
	return string(s.Verdict)
}

func (f *liveFacts) ages(name string, s *study.Signal) {
	for _, x := range []struct {
		quantity string
		v        study.Value
	}{
		{"age_mean_s", s.Age.Mean}, {"age_p50_s", s.Age.P50}, {"age_p95_s", s.Age.P95}, {"age_p99_s", s.Age.P99},
		{"over_limit_share", s.OverLimit}, {"unknown_share", s.UnknownShare},
	} {
		f.figure(name+"_"+x.quantity, x.v.Value, x.v.Defined)
	}
	f.figure(name+"_age_max_s", s.Age.Max.Value, s.Age.Max.Defined)
	f.figure(name+"_observed_s", s.Observed, true)
}

// LiveJSON writes the report for programs: one object for each figure.
func LiveJSON(w io.Writer, r *Live) error {
	document := struct {
		Schema   int        `json:"schema"`
		Version  string     `json:"version"`
		Scenario string     `json:"scenario"`
		SHA256   string     `json:"scenario_sha256"`
		Facts    []liveFact `json:"facts"`
	}{Schema: Schema, Version: r.Version, Facts: factsOf(r)}
	if r.Plan != nil {
		document.Scenario, document.SHA256 = r.Plan.Name, r.Plan.SHA256
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(document); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

// LiveCSV writes one row for each figure under a header row, in the form of RFC
// 4180. A figure that is not defined is an empty field.
func LiveCSV(w io.Writer, r *Live) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	// The writer keeps its first error until the end.
	_ = c.Write([]string{"part", "of", "signal", "quantity", "value", "text"})
	for _, f := range factsOf(r) {
		value := ""
		if f.Value != nil {
			value = strconv.FormatFloat(*f.Value, 'g', -1, 64)
		}
		_ = c.Write([]string{f.Part, f.Of, f.Signal, f.Quantity, value, f.Text})
	}
	c.Flush()
	return c.Error()
}

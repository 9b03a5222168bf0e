package reports

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io"
	"math"

	"stalegauge/sim/study"
)

// CompareJSON writes a comparison for programs, in the form of [JSON]. Differences
// are those of b less a. What is not defined is null; the age of a signal that is
// never shown is. It returns the error of w.
func CompareJSON(w io.Writer, c *study.Comparison) error {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(comparison(c)); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

type jsonComparison struct {
	Schema       int           `json:"schema"`
	Version      string        `json:"version"`
	Scenario     string        `json:"scenario"`
	SHA256       string        `json:"scenario_sha256"`
	Seed         uint64        `json:"seed"`
	Replications int           `json:"replications"` // of each design
	Frames       uint64        `json:"bus_frames"`   // all designs together
	Simulated    *float64      `json:"simulated_s"`  // each design
	Sequential   bool          `json:"sequential"`
	Looks        []int         `json:"looks"`
	Against      *string       `json:"against"`
	Confidence   *float64      `json:"confidence"` // of each interval of a difference
	Designs      []jsonDesign  `json:"designs"`
	Key          *jsonKey      `json:"key_signal"` // its p99 decides the verdicts
	Pairs        []jsonPairing `json:"pairs"`
}

type jsonKey struct {
	Receiver string `json:"receiver"`
	Signal   string `json:"signal"`
}

type jsonDesign struct {
	Name      string     `json:"name"`
	Changes   string     `json:"changes"`
	SHA256    string     `json:"scenario_sha256"`
	Yardstick bool       `json:"yardstick"`
	Met       int        `json:"limits_met"`
	Missed    int        `json:"limits_missed"`
	Undecided int        `json:"limits_undecided"`
	Mean      *float64   `json:"age_mean_s"` // averages over the signals shown
	P95       *float64   `json:"age_p95_s"`
	P99       *float64   `json:"age_p99_s"`
	Over      *float64   `json:"over_limit_share"`
	Worst     *float64   `json:"worst_p99_over_limit"`
	Never     []string   `json:"never_shown"`
	Own       *jsonValue `json:"own_share"`
	Occupancy *jsonValue `json:"own_occupancy"`
	Sent      *jsonValue `json:"broadcasts_per_s"`
}

type jsonPairing struct {
	A         string             `json:"a"`
	B         string             `json:"b"`
	Verdict   string             `json:"verdict"` // b against a
	Words     string             `json:"words"`
	Overall   jsonAges           `json:"overall"`
	Worst     jsonPaired         `json:"worst_p99_over_limit"`
	Own       jsonPaired         `json:"own_share"`
	Occupancy jsonPaired         `json:"own_occupancy"`
	Sent      jsonPaired         `json:"broadcasts_per_s"`
	Signals   []jsonPairedSignal `json:"signals"`
	OnlyA     []string           `json:"only_a"`
	OnlyB     []string           `json:"only_b"`
}

type jsonAges struct {
	Mean    jsonPaired `json:"mean_s"`
	P95     jsonPaired `json:"p95_s"`
	P99     jsonPaired `json:"p99_s"`
	Over    jsonPaired `json:"over_limit_share"`
	Unknown jsonPaired `json:"unknown_share"`
	Late    jsonPaired `json:"late_share"`  // of the changes: beyond their limit or never shown
	Wrong   jsonPaired `json:"wrong_share"` // of the time: another value than the bus carried last
}

type jsonPairedSignal struct {
	Receiver string `json:"receiver"`
	Signal   string `json:"signal"`
	Verdict  string `json:"verdict"`
	jsonAges
}

type jsonPaired struct {
	A          *float64   `json:"a"`
	B          *float64   `json:"b"`
	Difference *jsonValue `json:"difference"`
}

func comparison(c *study.Comparison) jsonComparison {
	d := jsonComparison{
		Schema: Schema, Version: c.Version, Replications: c.Replications, Frames: c.Frames,
		Simulated: figure(c.Simulated), Sequential: c.Sequential, Looks: append([]int{}, c.Looks...),
		Confidence: figure(c.Confidence), Designs: []jsonDesign{}, Pairs: []jsonPairing{},
	}
	if plan := planOf(c); plan != nil {
		d.Scenario, d.SHA256, d.Seed = plan.Name, plan.SHA256, plan.Seed
	}
	if c.Against != "" {
		d.Against = &c.Against
	}
	if c.Key.Signal != "" {
		d.Key = &jsonKey{c.Key.Receiver, c.Key.Signal}
	}
	for i, r := range c.Results {
		o, n := own(r), verdicts(r)
		j := jsonDesign{
			Name: c.Designs[i].Name, Changes: c.Designs[i].Changes, Yardstick: c.Designs[i].Yardstick,
			Met: n[study.Met], Missed: n[study.Missed], Undecided: n[study.Undecided],
			Mean: figure(o.mean), P95: figure(o.p95), P99: figure(o.p99), Over: figure(o.over), Worst: figure(o.worst),
			Never: append([]string{}, neverShown(r)...),
			Own:   value(r.OwnShare), Occupancy: value(r.OwnOccupancy), Sent: value(r.BroadcastsPerSecond),
		}
		if plan := c.Designs[i].Plan; plan != nil {
			j.SHA256 = plan.SHA256
		}
		d.Designs = append(d.Designs, j)
	}
	for i := range c.Pairs {
		d.Pairs = append(d.Pairs, pairing(c, &c.Pairs[i]))
	}
	return d
}

func pairing(c *study.Comparison, p *study.Pair) jsonPairing {
	j := jsonPairing{
		A: c.Designs[p.A].Name, B: c.Designs[p.B].Name, Verdict: outcome(p.Decisive()), Words: sentence(c, p),
		Overall: pairedAges(&p.Overall), Worst: paired(p.Worst),
		Own: paired(p.OwnShare), Occupancy: paired(p.OwnOccupancy), Sent: paired(p.BroadcastsPerSecond),
		Signals: []jsonPairedSignal{}, OnlyA: append([]string{}, p.OnlyA...), OnlyB: append([]string{}, p.OnlyB...),
	}
	for i := range p.Signals {
		s := &p.Signals[i]
		j.Signals = append(j.Signals, jsonPairedSignal{s.Receiver, s.Signal, outcome(s.P99), pairedAges(&s.Ages)})
	}
	return j
}

func pairedAges(a *study.Ages) jsonAges {
	return jsonAges{paired(a.Mean), paired(a.P95), paired(a.P99), paired(a.OverLimit), paired(a.Unknown), paired(a.Late), paired(a.Wrong)}
}

func paired(p study.Paired) jsonPaired {
	return jsonPaired{figure(p.A), figure(p.B), value(p.Difference)}
}

// CompareCSV writes one row for each pair, with empty receiver and signal, averages
// over the signals and the verdict by the key signal, and one for each signal that
// both have, in the form of [CSV]. It returns the
// error of w.
func CompareCSV(w io.Writer, c *study.Comparison) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	// The writer keeps its first error until the end.
	_ = out.Write(compareRow(c, "", "", "", &study.Pair{}, &study.PairedSignal{}).names)
	for i := range c.Pairs {
		p := &c.Pairs[i]
		a, b := c.Designs[p.A].Name, c.Designs[p.B].Name
		_ = out.Write(compareRow(c, a, b, outcome(p.Decisive()), p, &study.PairedSignal{Ages: p.Overall}).texts)
		// What is of the whole design stands in the row of the whole only.
		open := study.Paired{A: math.NaN(), B: math.NaN()}
		none := &study.Pair{Worst: open, OwnShare: open, OwnOccupancy: open, BroadcastsPerSecond: open}
		for k := range p.Signals {
			_ = out.Write(compareRow(c, a, b, outcome(p.Signals[k].P99), none, &p.Signals[k]).texts)
		}
	}
	out.Flush()
	return out.Error()
}

func compareRow(c *study.Comparison, a, b, verdict string, p *study.Pair, s *study.PairedSignal) *fields {
	f := &fields{}
	f.put("design_a", a)
	f.put("design_b", b)
	f.put("receiver", s.Receiver)
	f.put("signal", s.Signal)
	f.put("verdict", verdict)
	f.figure("replications", float64(c.Replications), true)
	f.figure("confidence", c.Confidence, true)
	for _, column := range []struct {
		name, unit string
		value      study.Paired
	}{
		{"mean", "_s", s.Mean}, {"p95", "_s", s.P95}, {"p99", "_s", s.P99}, {"over_limit", "_share", s.OverLimit}, {"unknown", "_share", s.Unknown},
		{"worst_p99_over_limit", "", p.Worst}, {"own", "_share", p.OwnShare}, {"own_occupancy", "_share", p.OwnOccupancy}, {"broadcasts", "_per_s", p.BroadcastsPerSecond},
		{"late", "_share", s.Late}, {"wrong", "_share", s.Wrong},
	} {
		f.figure(column.name+"_a"+column.unit, column.value.A, true)
		f.figure(column.name+"_b"+column.unit, column.value.B, true)
		f.value(column.name+"_difference", column.unit, column.value.Difference)
	}
	return f
}

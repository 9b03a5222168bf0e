package reports

import (
	"bytes"
	"encoding/json"
	"io"

	"stalegauge/sim/study"
	"stalegauge/sim/study/size"
)

// SizeJSON writes what a search has found for programs, in the form of [JSON]. It
// returns the error of w.
func SizeJSON(w io.Writer, a *size.Answer) error {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(sized(a)); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

type jsonSized struct {
	Schema     int               `json:"schema"`
	Version    string            `json:"version"`
	Scenario   string            `json:"scenario"`
	SHA256     string            `json:"scenario_sha256"`
	Seed       uint64            `json:"seed"`
	Objective  string            `json:"objective"`
	Feasible   *bool             `json:"feasible"` // null where the search ended before it knew
	Confirmed  bool              `json:"confirmed"`
	Stopped    bool              `json:"interrupted"`
	Found      *jsonFound        `json:"found"`
	AsIs       *jsonFound        `json:"scenario_as_it_stands"`
	RunnerUp   *jsonFound        `json:"runner_up"`
	Lost       *string           `json:"runner_up_lost"`
	Radios     []jsonOnRadio     `json:"radios"`
	Front      []jsonFound       `json:"pareto"`
	Sensitive  []jsonSensitivity `json:"sensitivities"`
	Optional   []jsonOptional    `json:"optional"`
	WithAll    *float64          `json:"own_share_with_optional"` // with those that fit; null with none
	Infeasible *jsonInfeasible   `json:"infeasible"`
	Counts     map[string]int    `json:"counts"`
	Pruned     map[string]int    `json:"pruned"`
	Frames     uint64            `json:"bus_frames"`
	Budget     uint64            `json:"budget_frames"` // repeats the search
	Confidence *float64          `json:"confidence"`    // of one verdict
}

type jsonFound struct {
	Name     string     `json:"name"`
	Radio    string     `json:"radio"`
	Sets     []string   `json:"set"`
	Own      *float64   `json:"own_share"`
	Occupied *float64   `json:"own_occupancy"`
	Watt     *float64   `json:"power_w"`
	Worst    *float64   `json:"worst_over_limit"` // null where something is never shown
	Runs     int        `json:"replications"`
	Verdict  string     `json:"verdict"`
	Limits   []jsonHeld `json:"limits"`
}

type jsonHeld struct {
	Receiver string     `json:"receiver"`
	Signal   string     `json:"signal"`
	Of       string     `json:"of"`
	Limit    *float64   `json:"limit_s"`
	Quantile *float64   `json:"quantile"`
	Verdict  string     `json:"verdict"`
	Ratio    *jsonValue `json:"kept_over_limit"`
	Margin   *float64   `json:"margin"`
	Either   bool       `json:"within_indifference"`
}

type jsonOnRadio struct {
	Name string     `json:"name"`
	Best *jsonFound `json:"best"`
	Left *jsonFound `json:"cheapest_left"`
	Why  string     `json:"why_none"`
}

type jsonSensitivity struct {
	Receiver string   `json:"receiver"`
	Signal   string   `json:"signal"`
	Key      *string  `json:"parameter"`
	From     string   `json:"from"`
	To       string   `json:"to"`
	Shown    bool     `json:"shown"`
	Change   *float64 `json:"change"`
	Low      *float64 `json:"low"`
	High     *float64 `json:"high"`
}

type jsonOptional struct {
	ID      string   `json:"id"`
	Message string   `json:"message"`
	Bytes   int      `json:"record_bytes"`
	Air     *float64 `json:"adds_own_share_at_most"`
	Fits    bool     `json:"fits"`
	Why     string   `json:"why"`
}

type jsonInfeasible struct {
	By      string      `json:"by"` // a bound, or "simulation"
	Why     string      `json:"why"`
	Nearest []string    `json:"nearest"`
	Clashes []jsonClash `json:"clashes"`
}

type jsonClash struct {
	Receiver string   `json:"receiver"`
	Signal   string   `json:"signal"`
	Limit    *float64 `json:"limit_s"`
	Needs    *float64 `json:"needs_s"`
	Why      string   `json:"why"`
}

func sized(a *size.Answer) *jsonSized {
	plan, c := a.Problem.Plan, &a.Counts
	d := &jsonSized{
		Schema: Schema, Version: a.Version, Scenario: plan.Name, SHA256: plan.SHA256, Seed: plan.Seed, Objective: a.Objective.String(),
		Confirmed: a.Confirmed, Stopped: a.Interrupted, Found: found(a, a.Best), AsIs: found(a, a.AsIs), RunnerUp: found(a, a.RunnerUp),
		Radios: []jsonOnRadio{}, Front: []jsonFound{}, Sensitive: []jsonSensitivity{}, Optional: []jsonOptional{},
		Counts: map[string]int{
			"examined": c.Examined, "simulated": c.Simulated, "over_air": c.TooMuch, "missed": c.Missed, "undecided": c.Open, "within_indifference": c.Either,
			"met": c.Met, "costlier": c.Costlier, "eliminated_by_differences": c.Dropped, "not_confirmed": c.Refused, "not_simulated": c.Unseen, "replications": c.Runs,
		},
		Pruned: map[string]int{}, Frames: a.Frames, Budget: a.Budget(), Confidence: figure(1 - a.Alpha),
	}
	if a.Best != nil || a.Infeasible != nil {
		feasible := a.Best != nil
		d.Feasible = &feasible
	}
	if a.RunnerUp != nil {
		d.Lost = &a.Lost
	}
	for b := size.PayloadSize; b <= size.LongestWait; b++ {
		d.Pruned[b.String()] = c.Pruned[b]
	}
	for _, r := range a.Radios {
		d.Radios = append(d.Radios, jsonOnRadio{r.Name, found(a, r.Best), found(a, r.Left), r.Why})
	}
	for i := range a.Front {
		d.Front = append(d.Front, *found(a, &a.Front[i]))
	}
	for i := range a.Sensitive {
		s := &a.Sensitive[i]
		j := jsonSensitivity{Receiver: s.Held.Receiver, Signal: s.Held.Shown.Signal.Name, From: s.From, To: s.To, Shown: s.Shown}
		if s.Key != "" {
			j.Key, j.Change, j.Low, j.High = &s.Key, figure(s.Change), figure(s.Low), figure(s.High)
		}
		d.Sensitive = append(d.Sensitive, j)
	}
	for _, o := range a.Optional {
		d.Optional = append(d.Optional, jsonOptional{o.ID.String(), o.Message, o.Bytes, figure(o.Air), o.Fits, o.Why})
	}
	if a.OptionalOwn > 0 {
		d.WithAll = figure(a.OptionalOwn)
	}
	d.Infeasible = noDesign(a.Infeasible)
	return d
}

func noDesign(x *size.Infeasible) *jsonInfeasible {
	if x == nil {
		return nil
	}
	j := &jsonInfeasible{By: x.By.String(), Why: x.Why, Nearest: append([]string{}, x.Nearest...), Clashes: []jsonClash{}}
	if x.By == size.NoBound {
		j.By = "simulation"
	}
	for i := range x.Clashes {
		c := &x.Clashes[i]
		clash := jsonClash{Receiver: c.Receiver, Signal: c.Shown.Signal.Name, Limit: figure(c.Shown.Limit.Value.Seconds()), Why: c.Why}
		if c.Needs > 0 {
			clash.Needs = figure(c.Needs)
		}
		j.Clashes = append(j.Clashes, clash)
	}
	return j
}

func found(a *size.Answer, f *size.Found) *jsonFound {
	if f == nil {
		return nil
	}
	j := &jsonFound{
		Name: f.Name, Radio: f.Radio, Sets: append([]string{}, a.Problem.With(&f.Design)...), Own: figure(f.Own), Occupied: figure(f.Occupied),
		Watt: figure(f.Watt), Worst: figure(f.Worst), Runs: f.Runs, Verdict: f.Verdict, Limits: []jsonHeld{},
	}
	for i := range f.Held {
		h := &f.Held[i]
		j.Limits = append(j.Limits, heldJSON(h))
	}
	return j
}

func heldJSON(h *study.Held) jsonHeld {
	j := jsonHeld{
		Receiver: h.Receiver, Signal: h.Shown.Signal.Name, Of: h.Shown.Limit.Of.String(), Limit: figure(h.Shown.Limit.Value.Seconds()),
		Quantile: figure(h.Shown.Limit.Quantile), Verdict: string(h.Verdict), Ratio: value(h.Ratio),
	}
	if j.Ratio != nil {
		j.Margin = figure(1 - h.Ratio.Value)
		j.Either = *j.Margin >= -.02 && *j.Margin <= .02
	}
	return j
}

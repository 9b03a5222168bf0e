package reports

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"

	"stalegauge/bus/mask"
	"stalegauge/scenarios"
	"stalegauge/sim"
)

type jsonMasks struct {
	Schema    int           `json:"schema"`
	Version   string        `json:"version"`
	Scenario  *string       `json:"scenario"` // null: identifiers only, no rates are known
	Shape     string        `json:"shape"`
	Polarity  string        `json:"polarity"`
	Words     []jsonWord    `json:"words"`
	Setting   string        `json:"setting"` // for bridge.controller of a scenario
	Wanted    []jsonPass    `json:"wanted"`
	Leaks     []jsonLeak    `json:"unwanted"`
	Proof     string        `json:"proof"`
	Note      string        `json:"note"`
	Before    *float64      `json:"bus_frames_per_s"`
	After     *float64      `json:"processor_frames_per_s"`
	Unwanted  *float64      `json:"unwanted_frames_per_s"`
	Bound     *float64      `json:"unwanted_bound_frames_per_s"` // no setting lets less through
	IDs       *float64      `json:"unwanted_identifiers"`        // null where rates are known
	IDsBound  *float64      `json:"unwanted_identifiers_bound"`
	SlackFrom *jsonOverrun  `json:"slack_without_masks_s"`
	SlackTo   *jsonOverrun  `json:"slack_with_masks_s"`
	Forward   []jsonForward `json:"forward"`
	Warnings  []string      `json:"warnings"`
}

type jsonWord struct {
	Name  string `json:"name"`
	Bits  int    `json:"bits"`
	Value string `json:"hex"`
}

type jsonPass struct {
	ID string `json:"id"`
	By string `json:"by"`
}

type jsonLeak struct {
	ID     string   `json:"id"`
	Remote bool     `json:"remote"`
	Rate   *float64 `json:"frames_per_s"`
	By     string   `json:"by"`
}

type jsonOverrun struct {
	Least float64 `json:"least"`
	Mean  float64 `json:"mean"`
}

type jsonForward struct {
	ID        string   `json:"id"`
	Message   string   `json:"message"`
	Bytes     int      `json:"record_bytes"`
	PerSecond *float64 `json:"records_per_s"` // at most
	AirShare  *float64 `json:"air_share"`     // at most
	Shown     []string `json:"shown"`
	Others    []string `json:"carries_beside"`
	ShownBits int      `json:"shown_bits"`
	Bits      int      `json:"data_bits"`
}

var proofWords = map[mask.Proof]string{mask.Exact: "exact", mask.Optimal: "optimal", mask.Bounded: "bounded"}

// MasksJSON writes the answer for programs, with the conventions of [JSON].
func MasksJSON(w io.Writer, m *Masks) error {
	a := m.Answer
	shape := a.Program.Shape()
	d := jsonMasks{
		Schema: Schema, Version: m.Version, Shape: shape.String(), Polarity: shape.Polarity(), Setting: maskSetting(a.Program),
		Wanted: []jsonPass{}, Leaks: []jsonLeak{}, Proof: proofWords[a.Proof], Note: a.Note, Forward: []jsonForward{},
		SlackFrom: overrunJSON(m.Before), SlackTo: overrunJSON(m.After), Warnings: append([]string{}, m.Warnings...),
	}
	if m.Scenario != "" {
		d.Scenario = &m.Scenario
	}
	if a.Rated {
		d.Before, d.After, d.Unwanted, d.Bound = figure(a.Before), figure(a.After), figure(a.Unwanted), figure(a.Bound)
	} else if !a.Wanted[0].IsExtended() {
		d.IDs, d.IDsBound = figure(a.Unwanted), figure(a.Bound)
	}
	d.Words = wordsJSON(a.Program)
	for _, p := range a.Passes {
		d.Wanted = append(d.Wanted, jsonPass{p.ID.String(), p.By})
	}
	for _, l := range a.Leaks {
		leak := jsonLeak{ID: l.ID.String(), Remote: l.Remote, By: l.By}
		if a.Rated {
			leak.Rate = figure(l.PerSecond)
		}
		d.Leaks = append(d.Leaks, leak)
	}
	d.Forward = forwardJSON(m.Forward)
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(d); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

// jsonRunMasks are the masks that a run has applied.
type jsonRunMasks struct {
	Shape   string     `json:"shape"`
	Auto    bool       `json:"auto"` // worked out for the forward list
	Words   []jsonWord `json:"words"`
	Setting string     `json:"setting"`
	Proof   *string    `json:"proof"` // null where they were given
	Before  *float64   `json:"bus_frames_per_s"`
	After   *float64   `json:"processor_frames_per_s"`
}

func runMasks(plan *scenarios.Plan) *jsonRunMasks {
	m := plan.Masks
	if m == nil {
		return nil
	}
	program := plan.Bridge.Controller.Masks
	d := &jsonRunMasks{Shape: program.Shape().String(), Auto: m.Auto, Words: wordsJSON(program), Setting: maskSetting(program), Before: figure(m.Before), After: figure(m.After)}
	if m.Answer != nil {
		word := proofWords[m.Answer.Proof]
		d.Proof = &word
	}
	return d
}

func wordsJSON(p *mask.Program) []jsonWord {
	words := []jsonWord{}
	for _, w := range p.Words() {
		words = append(words, jsonWord{w.Name, w.Bits, fmt.Sprintf("%0*X", w.Bits/4, w.Value)})
	}
	return words
}

func overrunJSON(r sim.OverrunRun) *jsonOverrun {
	if !r.Lost {
		return nil
	}
	return &jsonOverrun{r.Least.Seconds(), r.Mean.Seconds()}
}

func forwardJSON(costs []scenarios.ForwardCost) []jsonForward {
	out := []jsonForward{}
	for _, c := range costs {
		out = append(out, jsonForward{c.ID.String(), c.Message, c.Bytes, figure(c.PerSecond), figure(c.AirShare),
			append([]string{}, c.Shown...), append([]string{}, c.Others...), c.ShownBits, c.Bits})
	}
	return out
}

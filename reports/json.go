package reports

import (
	"bytes"
	"encoding/json"
	"io"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// Schema is the version of the JSON report. It grows when a name or a meaning
// changes; new names at the end of an object do not count.
const Schema = 1

// JSON writes the report for programs. Times are in seconds, shares 0..1, names
// and their order are fixed, and the same result gives the same bytes. It
// returns the error of w.
func JSON(w io.Writer, r *study.Result) error {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(document(r)); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

type jsonReport struct {
	Schema       int              `json:"schema"`
	Version      string           `json:"version"`
	Scenario     string           `json:"scenario"`
	SHA256       string           `json:"scenario_sha256"`
	Seed         uint64           `json:"seed"`
	Replications int              `json:"replications"`
	Looks        []int            `json:"looks"`
	Duration     *float64         `json:"duration_s"`
	Assumptions  []jsonAssumption `json:"assumptions"`
	Warnings     []string         `json:"warnings"`
	Bus          jsonBus          `json:"bus"`
	Bridge       jsonBridge       `json:"bridge"`
	Air          jsonAir          `json:"air"`
	Receivers    []jsonReceiver   `json:"receivers"`
	Neighbours   []jsonNeighbour  `json:"neighbours"`
	Phases       []jsonPhase      `json:"phases"`
}

type jsonAssumption struct {
	Key    string `json:"key"`
	Value  string `json:"value"`
	Origin string `json:"origin"`
	Reason string `json:"reason"`
}

type jsonBus struct {
	FramesPerSecond *jsonValue `json:"frames_per_s"`
	Load            *jsonValue `json:"load"`
	// Latency is from release to reception, by message; empty for a capture.
	Latency    []jsonBusMessage `json:"latency"`
	NotCovered []string         `json:"not_covered_by_bounds"`
}

type jsonBridge struct {
	FrameFates  ordered[uint64]   `json:"frame_fates"`
	Stages      []jsonStage       `json:"stages"`
	RecordBytes []jsonRecordBytes `json:"record_bytes"`
	Forward     []jsonEntry       `json:"forward"`
	Layouts     []jsonLayoutSize  `json:"layouts"`
	Costs       []jsonForward     `json:"forward_costs,omitempty"` // of a forward list by need
	Masks       *jsonRunMasks     `json:"masks"`                   // null: everything passes
}

type jsonStage struct {
	Name      string   `json:"name"`
	Load      *float64 `json:"load"`       // null: the stage has no server
	HighWater int      `json:"high_water"` // most that waited at once
	Capacity  *int     `json:"capacity"`   // null: no limit
	Unit      string   `json:"unit"`
}

type jsonRecordBytes struct {
	ID    string `json:"id"`
	Bytes int    `json:"bytes"`
}

type jsonAir struct {
	OwnShare            *jsonValue `json:"own_share"`
	OwnOccupancy        *jsonValue `json:"own_occupancy"`
	OthersShare         *jsonValue `json:"others_share"`
	BroadcastsPerSecond *jsonValue `json:"broadcasts_per_s"`
	// Of the whole run, where the radio has such a rule or its power is known.
	DutyLimit        *float64 `json:"duty_limit,omitempty"`
	Utilisation      *float64 `json:"utilisation,omitempty"`
	UtilisationLimit *float64 `json:"utilisation_limit,omitempty"`
}

type jsonReceiver struct {
	Name         string          `json:"name"`
	RecordFates  ordered[uint64] `json:"record_fates"`
	FirstPicture jsonStatistic   `json:"first_picture_s"`
	Signals      []jsonSignal    `json:"signals"`
	Foreign      ordered[uint64] `json:"foreign_fates"` // broadcasts of other sets
	Restarts     uint64          `json:"restarts_noticed"`
}

type jsonSignal struct {
	Name           string             `json:"name"`
	ID             string             `json:"id"`
	Unit           string             `json:"unit"`
	LimitOf        *string            `json:"limit_of"`
	LimitAt        *string            `json:"limit_at"`
	LimitQuantile  *float64           `json:"limit_quantile"`
	Limit          *float64           `json:"limit_s"`
	Verdict        study.Verdict      `json:"verdict"`
	Observed       *float64           `json:"observed_s"`
	UnknownShare   *jsonValue         `json:"unknown_share"`
	Age            jsonStatistic      `json:"age_s"`
	MemoryAge      jsonStatistic      `json:"memory_age_s"`
	Latency        jsonStatistic      `json:"latency_s"`
	PeakAge        jsonStatistic      `json:"peak_age_s"`
	UpdateInterval jsonStatistic      `json:"update_interval_s"`
	OverLimit      *jsonValue         `json:"over_limit_share"`
	Violations     *jsonValue         `json:"violations_per_hour"`
	LongestOver    *float64           `json:"longest_violation_s"`
	MeanOverage    *jsonValue         `json:"overage_mean_s"`
	FloorMean      *jsonValue         `json:"floor_mean_s"`
	FloorP99       *jsonValue         `json:"floor_p99_s"`
	Waterfall      *ordered[*float64] `json:"waterfall_s"`
	Class          string             `json:"class"`
	Late           *jsonValue         `json:"late_share"` // of changes or starts, where the limit speaks of them
	Standing       *float64           `json:"standing"`   // p99, or what of changes and starts stands for it, in units of the limit; null: none, or never
	First          jsonStatistic      `json:"first_shown_s"`
	NeverShown     int                `json:"never_shown"` // replications
	Changes        *jsonChanges       `json:"changes"`
	Deadlines      *jsonDeadlines     `json:"deadlines"`
	Expiry         *jsonExpiry        `json:"expiry"`
}

type jsonStatistic struct {
	Mean *jsonValue `json:"mean"`
	P50  *jsonValue `json:"p50"`
	P95  *jsonValue `json:"p95"`
	P99  *jsonValue `json:"p99"`
	Max  *jsonMax   `json:"max"`
}

type jsonValue struct {
	Value *float64 `json:"value"`
	Low   *float64 `json:"low"`
	High  *float64 `json:"high"`
}

type jsonMax struct {
	Value    *float64 `json:"value"`
	Observed *float64 `json:"observed_s"`
}

// ordered is a JSON object whose names keep their order.
type ordered[T any] struct {
	names  []string
	values []T
}

// MarshalJSON writes the object.
func (o ordered[T]) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, name := range o.names {
		if i > 0 {
			b.WriteByte(',')
		}
		value, err := json.Marshal(o.values[i])
		if err != nil {
			return nil, err
		}
		b.WriteString(`"` + name + `":`)
		b.Write(value)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

func (o *ordered[T]) put(name string, value T) {
	o.names, o.values = append(o.names, name), append(o.values, value)
}

func document(r *study.Result) jsonReport {
	plan := r.Plan
	if plan == nil {
		plan = &scenarios.Plan{}
	}
	d := jsonReport{
		Schema: Schema, Version: r.Version, Scenario: plan.Name, SHA256: plan.SHA256,
		Seed: plan.Seed, Replications: r.Replications, Looks: append([]int{}, r.Looks...),
		Duration:    figure(r.Duration),
		Assumptions: []jsonAssumption{}, Warnings: append([]string{}, plan.Warnings...),
		Bus: jsonBus{value(r.FramesPerSecond), value(r.BusLoad), busLatency(r), append([]string{}, r.BusOpen...)},
		Bridge: jsonBridge{FrameFates: ledger[fate.Frame](r.FrameFates[:]), Stages: []jsonStage{},
			RecordBytes: []jsonRecordBytes{}},
		Air:       airOf(r),
		Receivers: []jsonReceiver{}, Neighbours: neighbourList(r), Phases: phaseList(r),
	}
	for _, a := range plan.Assumptions {
		d.Assumptions = append(d.Assumptions, jsonAssumption(a))
	}
	for _, s := range r.Stages {
		d.Bridge.Stages = append(d.Bridge.Stages, stage(s))
	}
	for _, e := range r.Entries {
		d.Bridge.RecordBytes = append(d.Bridge.RecordBytes, jsonRecordBytes{e.ID, e.Bytes})
	}
	d.Bridge.Forward, d.Bridge.Layouts = served(r)
	d.Bridge.Masks = runMasks(plan)
	if plan.Needed {
		d.Bridge.Costs = forwardJSON(scenarios.ForwardCosts(plan))
	}
	for i := range r.Receivers {
		d.Receivers = append(d.Receivers, receiver(&r.Receivers[i]))
	}
	return d
}

func receiver(d *study.Receiver) jsonReceiver {
	j := jsonReceiver{Name: d.Name, FirstPicture: statistic(d.FirstPicture), Signals: []jsonSignal{}}
	j.RecordFates = ledger[fate.Record](d.RecordFates[:])
	j.Restarts = d.Restarts
	j.Foreign = ledger[fate.Foreign](d.Foreign[:])
	for i := range d.Signals {
		j.Signals = append(j.Signals, signal(&d.Signals[i]))
	}
	return j
}

func signal(s *study.Signal) jsonSignal {
	j := jsonSignal{
		Name: s.Shown.Signal.Name, ID: s.Shown.ID.String(), Unit: s.Shown.Signal.Unit,
		Verdict: s.Verdict, Observed: figure(s.Observed), UnknownShare: value(s.UnknownShare),
		Age: statistic(s.Age), MemoryAge: statistic(s.MemoryAge), Latency: statistic(s.Latency),
		PeakAge: statistic(s.PeakAge), UpdateInterval: statistic(s.UpdateInterval),
		OverLimit: value(s.OverLimit), Violations: value(s.Violations),
		MeanOverage: value(s.MeanOverage), FloorMean: value(s.FloorMean), FloorP99: value(s.FloorP99),
	}
	if l := s.Shown.Limit; l != nil {
		of, at := l.Of.String(), l.At.String()
		j.LimitOf, j.LimitAt = &of, &at
		j.LimitQuantile, j.Limit = figure(l.Quantile), figure(l.Value.Seconds())
	}
	values(&j, s)
	if s.Violations.Defined {
		j.LongestOver = figure(s.LongestOver)
	}
	if s.WaterfallOpen {
		j.Waterfall = &ordered[*float64]{}
		for w := range fate.Stages {
			j.Waterfall.put(w.String(), figure(s.Waterfall[w]))
		}
	}
	return j
}

// ledger is the counts of a ledger under its words, zeros included.
func ledger[Word word](counts []uint64) (o ordered[uint64]) {
	for w, n := range counts {
		o.put(Word(w).String(), n)
	}
	return o
}

func stage(s study.BridgeStage) jsonStage {
	j := jsonStage{Name: s.Name, HighWater: s.HighWater, Unit: s.Unit}
	if s.HasLoad {
		j.Load = figure(s.Load)
	}
	if s.Capacity > 0 {
		j.Capacity = &s.Capacity
	}
	return j
}

func statistic(s study.Statistic) jsonStatistic {
	j := jsonStatistic{Mean: value(s.Mean), P50: value(s.P50), P95: value(s.P95), P99: value(s.P99)}
	if v := figure(s.Max.Value); s.Max.Defined && v != nil {
		j.Max = &jsonMax{v, figure(s.Max.Observed)}
	}
	return j
}

func value(v study.Value) *jsonValue {
	f := figure(v.Value)
	if !v.Defined || f == nil {
		return nil
	}
	return &jsonValue{f, figure(v.Low), figure(v.High)}
}

// figure is null for what is no finite number.
func figure(v float64) *float64 {
	if _, ok := finite(v, true); !ok {
		return nil
	}
	v += 0 // no negative zero
	return &v
}

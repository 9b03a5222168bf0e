package reports

import (
	"encoding/csv"
	"io"
	"strconv"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// CSV writes one row for each display and signal under a header row, in the
// form of RFC 4180. Names end with their unit: _s for seconds, _share for 0..1.
// A figure that is not defined is an empty field. It returns the error of w.
func CSV(w io.Writer, r *study.Result) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	plan := r.Plan
	if plan == nil {
		plan = &scenarios.Plan{}
	}
	// The writer keeps its first error until the end.
	_ = c.Write(row(plan, r, &study.Receiver{}, &study.Signal{}).names)
	for i := range r.Receivers {
		d := &r.Receivers[i]
		for j := range d.Signals {
			_ = c.Write(row(plan, r, d, &d.Signals[j]).texts)
		}
	}
	c.Flush()
	return c.Error()
}

// fields is one row with the names of its columns.
type fields struct {
	names, texts []string
}

func (f *fields) put(name, text string) {
	f.names, f.texts = append(f.names, name), append(f.texts, text)
}

func (f *fields) figure(name string, v float64, defined bool) {
	text := ""
	if v, ok := finite(v, defined); ok {
		text = strconv.FormatFloat(v+0, 'g', -1, 64)
	}
	f.put(name, text)
}

// value puts a figure and its interval; unit ends each name.
func (f *fields) value(name, unit string, v study.Value) {
	_, ok := finite(v.Value, v.Defined)
	f.figure(name+unit, v.Value, ok)
	f.figure(name+"_low"+unit, v.Low, ok)
	f.figure(name+"_high"+unit, v.High, ok)
}

func (f *fields) statistic(name string, s study.Statistic) {
	f.value(name+"_mean", "_s", s.Mean)
	f.value(name+"_p50", "_s", s.P50)
	f.value(name+"_p95", "_s", s.P95)
	f.value(name+"_p99", "_s", s.P99)
	f.figure(name+"_max_s", s.Max.Value, s.Max.Defined)
	f.figure(name+"_max_observed_s", s.Max.Observed, s.Max.Defined)
}

func row(plan *scenarios.Plan, r *study.Result, d *study.Receiver, s *study.Signal) *fields {
	f := &fields{}
	f.put("scenario", plan.Name)
	f.put("scenario_sha256", plan.SHA256)
	f.put("seed", strconv.FormatUint(plan.Seed, 10))
	f.put("replications", strconv.Itoa(r.Replications))
	f.put("receiver", d.Name)
	f.put("signal", s.Shown.Signal.Name)
	f.put("id", s.Shown.ID.String())
	f.put("unit", s.Shown.Signal.Unit)
	limit, of, at := scenarios.Limit{}, "", ""
	if s.Shown.Limit != nil {
		limit, of, at = *s.Shown.Limit, s.Shown.Limit.Of.String(), s.Shown.Limit.At.String()
	}
	f.put("limit_of", of)
	f.put("limit_at", at)
	f.figure("limit_quantile", limit.Quantile, of != "")
	f.figure("limit_s", limit.Value.Seconds(), of != "")
	f.put("verdict", string(s.Verdict))
	f.figure("observed_s", s.Observed, true)
	f.value("unknown", "_share", s.UnknownShare)
	f.statistic("age", s.Age)
	f.statistic("memory_age", s.MemoryAge)
	f.statistic("latency", s.Latency)
	f.statistic("peak_age", s.PeakAge)
	f.statistic("update_interval", s.UpdateInterval)
	f.value("over_limit", "_share", s.OverLimit)
	f.value("violations", "_per_hour", s.Violations)
	f.figure("longest_violation_s", s.LongestOver, s.Violations.Defined)
	f.value("overage_mean", "_s", s.MeanOverage)
	f.value("floor_mean", "_s", s.FloorMean)
	f.value("floor_p99", "_s", s.FloorP99)
	for w := range fate.Stages {
		f.figure("waterfall_"+w.String()+"_s", s.Waterfall[w], s.WaterfallOpen)
	}
	f.values(s)
	return f
}

// values puts what goes beyond ages.
func (f *fields) values(s *study.Signal) {
	f.put("class", s.Shown.Class.String())
	f.value("late", "_share", s.Late)
	f.statistic("first_shown", s.First)
	v := s.Values
	if v == nil {
		v = &study.Values{}
	}
	f.figure("changes", float64(v.Changes), s.Values != nil)
	f.figure("changes_overwritten", float64(v.Overwritten), s.Values != nil)
	f.value("changes_in_time", "_share", v.InTime)
	f.value("changes_never_shown", "_share", v.Never)
	f.statistic("change_delay", v.Delay)
	f.value("wrong", "_share", v.WrongShare)
	f.value("wrong_mean", "_s", v.WrongMean)
	f.value("incorrect_age_mean", "_s", v.IncorrectAge)
	e, d := s.Expiry, s.Deadlines
	if e == nil {
		e = &study.Expiry{}
	}
	if d == nil {
		d = &study.Deadlines{}
	}
	f.value("expired", "_share", e.Expired)
	f.value("expired_false", "_share", e.False)
	f.value("false_alarms", "_per_hour", e.FalseAlarm)
	f.value("deadlines_missed", "_share", d.Missed)
	f.value("firm_kept", "_share", d.Kept)
}

package metrics

import (
	"math"
	"time"

	"stalegauge/bus/fate"
)

// kind is the type of a family.
type kind uint8

const (
	counter kind = iota
	gauge
	histogram // with the buckets of AgeBounds
	native    // with exponential buckets; has no form in a history
	lateness  // a histogram with the buckets of LateBounds; has no form in a history
)

// family is one metric with its help and its labels.
type family struct {
	name   string // with its ending
	kind   kind
	help   string
	labels []string
}

// point is the value of one metric at one moment.
type point struct {
	value  float64  // of a counter or gauge; NaN = there is none
	count  uint64   // of a histogram, like those that follow
	sum    float64  //
	within []uint64 // cumulative, by AgeBounds or LateBounds
	sparse map[int]int64
	zero   uint64
}

const prefix = "stalegauge_"

var (
	perSignal = []string{"signal", "receiver"}

	observedSeconds = &family{prefix + "signal_observed_seconds_total", counter, "Time with a known value at the glass.", perSignal}
	staleSeconds    = &family{prefix + "signal_stale_seconds_total", counter, "Time with an age over the signal's own limit; a share of signal_observed_seconds_total.", perSignal}
	unknownSeconds  = &family{prefix + "signal_unknown_seconds_total", counter, "Time without a value at the glass.", perSignal}
	violations      = &family{prefix + "signal_violations_total", counter, "Times that the age rose over the limit.", perSignal}
	limitSeconds    = &family{prefix + "signal_age_limit_seconds", gauge, "Limit of the age.", perSignal}
	ages            = &family{prefix + "signal_age_seconds", histogram, "Age at the glass weighted by time: one observation is one millisecond of display time. Bounds are exact within 1/128.", perSignal}
	lastUpdate      = &family{prefix + "signal_last_update_timestamp_seconds", gauge, "When the value at the glass was last replaced by a newer one.", perSignal}
	latencies       = &family{prefix + "signal_latency_seconds", histogram, "Time from release at the source to the glass, one observation for each update.", perSignal}
	nativeLatencies = &family{prefix + "signal_latency_native_seconds", native, "The same times as signal_latency_seconds in a native histogram, for servers that take them.", perSignal}

	records = &family{prefix + "records_total", counter, "Record transmissions by what became of them at the receiver.", []string{"receiver", "fate"}}
	foreign = &family{prefix + "foreign_broadcasts_total", counter, "Broadcasts of other sets by what became of them at the receiver.", []string{"receiver", "fate"}}

	busFrames     = &family{prefix + "bus_frames_total", counter, "Frames received on the bus.", nil}
	busBusy       = &family{prefix + "bus_busy_seconds_total", counter, "Time the bus was busy.", nil}
	runSeconds    = &family{prefix + "observed_seconds_total", counter, "Time that bus and bridge were observed.", nil}
	frames        = &family{prefix + "frames_total", counter, "Frames of the bus by what became of them in the bridge.", []string{"fate"}}
	stageBusy     = &family{prefix + "bridge_stage_busy_seconds_total", counter, "Time the server of a stage of the bridge worked; a share of observed_seconds_total.", []string{"stage"}}
	stageWaiting  = &family{prefix + "bridge_stage_most_waiting", gauge, "Most that ever waited at once at a stage of the bridge.", []string{"stage", "unit"}}
	stageCapacity = &family{prefix + "bridge_stage_capacity", gauge, "Places at a stage of the bridge.", []string{"stage", "unit"}}

	airSeconds    = &family{prefix + "air_observed_seconds_total", counter, "Time that the medium was observed.", nil}
	airOwn        = &family{prefix + "air_own_seconds_total", counter, "Time the bridge was on the air.", nil}
	airOccupied   = &family{prefix + "air_occupied_seconds_total", counter, "Time the medium was taken by the bridge, access included.", nil}
	airOthers     = &family{prefix + "air_others_seconds_total", counter, "Time others were on the air, overlaps counted for each.", nil}
	airLimit      = &family{prefix + "air_limit_ratio", gauge, "Largest share of the time that the bridge may be on the air.", nil}
	airBroadcasts = &family{prefix + "broadcasts_total", counter, "Broadcasts begun, repeats included.", nil}
	airRecords    = &family{prefix + "broadcast_records_total", counter, "Records in the broadcasts begun, repeats included.", nil}

	replicationsDone   = &family{prefix + "replications_done", gauge, "Replications that have ended.", nil}
	replicationsAtMost = &family{prefix + "replications_at_most", gauge, "Replications that there can be at most.", nil}
	simulated          = &family{prefix + "simulated_seconds_total", counter, "Simulated time of all replications that have ended.", nil}
)

// families are all of them in the order of a history, which keeps those of a
// family together.
var families = []*family{
	observedSeconds, staleSeconds, unknownSeconds, violations, limitSeconds, ages, lastUpdate, latencies, nativeLatencies,
	records, foreign, busFrames, busBusy, runSeconds, frames, stageBusy, stageWaiting, stageCapacity,
	airSeconds, airOwn, airOccupied, airOthers, airLimit, airBroadcasts, airRecords,
	replicationsDone, replicationsAtMost, simulated,
	searchFrames, searchBudget, searchTried, searchSpace,
	targetDatagrams, targetRefused, targetBytes, sendLateness, sendLimit, datagramsHeld,
	received, receivedBytes, broadcastsExpected, broadcastsHeard, duplicates, reordered, gaps, longestGap,
	lastDatagram, arrivalLateness, senderRestarts, sharedClock, clockSteps, kernelDrops, bufferAsked, bufferGot,
}

// emitter takes one point. from is the instant at which its series begins.
type emitter func(f *family, from time.Duration, p point, labels ...string)

// walk hands out every point of a snapshot, always in the same order.
func walk(s *Snapshot, emit emitter) {
	if p := s.Progress; p != nil {
		emit(replicationsDone, 0, number(float64(p.Done)))
		emit(replicationsAtMost, 0, number(float64(p.AtMost)))
		emit(simulated, 0, seconds(p.Simulated))
	}
	if s.Search != nil {
		s.Search.walk(emit)
	}
	if b := s.Bridge; b != nil {
		b.walk(emit)
	}
	if a := s.Air; a != nil {
		emit(airSeconds, a.From, seconds(a.Window))
		emit(airOwn, a.From, seconds(a.Own))
		emit(airOccupied, a.From, seconds(a.Occupied))
		emit(airOthers, a.From, seconds(a.Others))
		if a.Limit > 0 {
			emit(airLimit, a.From, number(a.Limit))
		}
		emit(airBroadcasts, a.From, number(float64(a.Broadcasts)))
		emit(airRecords, a.From, number(float64(a.Records)))
	}
	if s.Sent != nil {
		s.Sent.walk(emit)
	}
	if s.Heard != nil {
		s.Heard.walk(emit)
	}
	for i := range s.Receivers {
		r := &s.Receivers[i]
		for k, n := range r.RecordFates {
			emit(records, 0, number(float64(n)), r.Name, fate.Record(k).String())
		}
		for k, n := range r.Foreign {
			emit(foreign, 0, number(float64(n)), r.Name, fate.Foreign(k).String())
		}
		for k := range r.Signals {
			r.Signals[k].walk(emit, r)
		}
	}
}

func (b *Bridge) walk(emit emitter) {
	emit(busFrames, 0, number(float64(b.Frames)))
	emit(busBusy, 0, seconds(b.BusBusy))
	emit(runSeconds, 0, seconds(b.Observed))
	for k, n := range b.FrameFates {
		emit(frames, 0, number(float64(n)), fate.Frame(k).String())
	}
	for _, u := range b.Stages {
		stage := word(u.Name)
		if u.HasServer {
			emit(stageBusy, 0, seconds(time.Duration(u.Busy)), stage)
		}
		emit(stageWaiting, 0, number(float64(u.HighWater)), stage, u.Unit)
		if u.Capacity > 0 {
			emit(stageCapacity, 0, number(float64(u.Capacity)), stage, u.Unit)
		}
	}
}

func (s *Signal) walk(emit emitter, r *Receiver) {
	one := func(f *family, p point) { emit(f, r.From, p, s.Name, r.Name) }
	one(observedSeconds, seconds(s.Observed))
	one(unknownSeconds, seconds(s.Unknown))
	if s.Limit > 0 {
		one(staleSeconds, seconds(s.Stale))
		one(violations, number(float64(s.Violations)))
		one(limitSeconds, seconds(s.Limit))
	}
	updated := point{value: math.NaN()}
	if s.HasUpdate {
		updated = seconds(s.Updated)
	}
	one(lastUpdate, updated)
	held := point{count: uint64(s.Observed / time.Millisecond), sum: s.TwiceArea.Float64() / 2 / 1e15, within: make([]uint64, len(s.Within))}
	for i, d := range s.Within {
		held.within[i] = uint64(d / time.Millisecond)
	}
	one(ages, held)
	l := &s.Latency
	one(latencies, point{count: l.Count, sum: l.Sum.Float64() / 1e9, within: l.Within})
	if l.Native != nil {
		one(nativeLatencies, point{count: l.Count, sum: l.Sum.Float64() / 1e9, sparse: l.Native, zero: l.Zero})
	}
}

func number(v float64) point { return point{value: v} }

func seconds(d time.Duration) point { return point{value: float64(d) / 1e9} }

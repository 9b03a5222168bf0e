package study

import (
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
)

// Value is a figure with its confidence interval. The zero value is undefined
// and prints as null or a dash.
type Value struct {
	Defined          bool
	Value, Low, High float64
}

// Max is the largest value seen and the time over which it was looked for.
type Max struct {
	Defined         bool
	Value, Observed float64
}

// Statistic is a distribution in four figures and its largest value. All are
// in seconds.
type Statistic struct {
	Mean, P50, P95, P99 Value
	Max                 Max
}

// Verdict says whether a limit holds.
type Verdict string

// The verdicts.
const (
	Met       Verdict = "met"
	Missed    Verdict = "missed"
	Undecided Verdict = "undecided"
	NoLimit   Verdict = "none"
)

// Signal is the answer for one signal on one display. Times are in seconds,
// shares are 0..1.
type Signal struct {
	Shown      scenarios.Shown
	Verdict    Verdict
	Why        string  // in words, for missed and undecided
	MoreTime   float64 // undecided: further simulated time that would decide, 0 where it cannot be told
	BoundBasis string  // with no replication over the limit: what the upper end of the share rests on

	Observed       float64 // time inside the window with a known value, all replications
	Window         float64 // time inside the window, all replications
	UnknownShare   Value
	Age            Statistic // at the glass, weighted by time
	MemoryAge      Statistic // weighted by time
	Latency        Statistic // release to glass, per update
	PeakAge        Statistic // at the glass, per update
	UpdateInterval Statistic // at the glass, per update
	OverLimit      Value     // share of observed time
	Violations     Value     // an hour
	LongestOver    float64   // longest violation
	MeanOverage    Value     // time average of max(age - limit, 0)
	FloorMean      Value
	FloorP99       Value
	Waterfall      [fate.Stages]float64 // mean of each term
	WaterfallOpen  bool                 // a value was observed: Waterfall is defined
}

// Receiver is the answer for one display.
type Receiver struct {
	Name         string
	RecordFates  [fate.Records]uint64
	FirstPicture Statistic // power-up until every signal is known, per replication
	NeverFilled  int       // replications in which that did not happen
	Signals      []Signal
}

// BridgeStage is one stage of the bridge as it was used.
type BridgeStage struct {
	Name      string
	Load      float64 // share of time busy, where the stage has a server; else 0
	HasLoad   bool
	HighWater int // most waiting at once
	Capacity  int // 0 = unlimited
	Unit      string
}

// Result is the answer of a run.
type Result struct {
	Plan         *scenarios.Plan
	Version      string
	Replications int
	Looks        []int   // replications at which the run looked whether it may stop; nil with a fixed number
	Confidence   float64 // of each interval
	Duration     float64 // of the window, seconds
	Simulated    float64 // seconds, all replications

	FramesPerSecond Value
	BusLoad         Value
	Frames          uint64
	FrameFates      [fate.Frames]uint64
	Stages          []BridgeStage
	RecordBytes     []RecordBytes

	OwnShare            Value
	OwnOccupancy        Value
	OthersShare         Value
	OthersOffered       Value
	BroadcastsPerSecond Value
	RecordsPerBroadcast Value

	Receivers []Receiver
}

// RecordBytes is the size of a record in the broadcast, from the encoder.
type RecordBytes struct {
	ID    string
	Bytes int
}

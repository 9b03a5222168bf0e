// Package study runs a plan many times with independent random streams and says
// what all runs together tell: figures with intervals, and verdicts on limits.
//
// Intervals are those of independent replications (Law, "Simulation Modeling and
// Analysis", chapter 9). Replications are folded in the order of their indexes, so
// the same seed gives the same bytes on any number of cores.
package study

import (
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
)

// Value is a figure with its confidence interval. The zero value is undefined
// and prints as null or a dash. Where Interval is false the run cannot tell how
// uncertain the figure is, as with a single replication: Low and High are NaN
// then. Where only one end cannot be told, that end alone is NaN.
type Value struct {
	Defined          bool
	Interval         bool
	Value, Low, High float64
}

// Max is the largest value seen and the time over which it was looked for.
type Max struct {
	Defined         bool
	Value, Observed float64
}

// Statistic is a distribution in five figures and its largest value. All are
// in seconds.
type Statistic struct {
	Mean, P50, P95, P99, P999 Value
	Max                       Max
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
	MoreTime   float64 // undecided: further simulated time that would decide, in whole replications; 0 where it cannot be told
	BoundBasis string  // with no replication over the limit: as long as this an episode was taken to be

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

	// Standing is how far the signal is from its limit: p99 of the age in units of
	// it; of changes or starts the delay of the share of them that the limit asks
	// for, infinite where more are never shown. Not a number without a limit.
	Standing   float64
	Values     *Values    // nil where the values are not followed
	Late       Value      // of a limit of changes or starts: share of them beyond it
	Deadlines  *Deadlines // nil without a limit of age at the glass
	Expiry     *Expiry    // nil without one
	ExpiryFor  float64    // expiry with at most Shown.FalseAlarms false alarms an hour, seconds
	First      Statistic  // from power-up to the first value at the glass, one a replication
	NeverShown int        // replications in which there was none
}

// Receiver is the answer for one display.
type Receiver struct {
	Name        string
	RecordFates [fate.Records]uint64
	Foreign     [fate.Foreigns]uint64 // broadcasts of other sets
	Restarts    uint64                // of the bridge, noticed by its sequence; all replications
	// FirstPicture is the time from power-up until every signal is known, one for
	// each replication. One that never came is later than all others: it leaves
	// no mean, and no quantile that falls on it.
	FirstPicture Statistic
	NeverFilled  int // replications in which that did not happen
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
	BusMessages     []BusMessage // in the order of the message set; nil for a capture
	BusOpen         []string     // what their bounds do not cover
	Frames          uint64
	FrameFates      [fate.Frames]uint64
	Stages          []BridgeStage
	Entries         []Entry              // of the forward list, in its order
	Layouts         []bridge.LayoutSizes // the forward list in every layout

	OwnShare            Value // energy of the bridge on air, of the time
	OwnOccupancy        Value // with access time
	OthersShare         Value // energy of neighbours and background senders on air, overlaps counted for each
	OthersOffered       Value // by background senders
	BroadcastsPerSecond Value // repeats included
	RecordsPerBroadcast Value

	Receivers  []Receiver
	Neighbours []Neighbour
	Phases     []Phase // nil when the plan has fewer than two
}

// Air is what was on the medium in a phase. Shares and occupancy are of the time.
type Air struct {
	OwnShare            Value // energy of the bridge on air
	OwnOccupancy        Value // with access time
	OthersShare         Value // energy of neighbours and background senders on air, overlaps counted for each
	OthersOffered       Value // by background senders
	BroadcastsPerSecond Value // repeats included
	RecordsPerBroadcast Value
}

// Phase is the answer for one phase of the run, inside the steady-state window.
type Phase struct {
	Name string
	From float64 // seconds
	// Until is where the next phase begins or the run ends, seconds.
	Until float64
	Air
	Receivers []PhaseReceiver
}

// PhaseReceiver is the answer for one display in a phase.
type PhaseReceiver struct {
	RecordFates [fate.Records]uint64
	Signals     []PhaseSignal
}

// PhaseSignal is the answer for one shown signal in a phase, at the glass.
type PhaseSignal struct {
	Observed     float64 // time with a known value, all replications
	Window       float64 // time of the phase inside the window, all replications
	UnknownShare Value
	Age          Statistic
	OverLimit    Value // share of observed time; undefined without a limit at the glass
	Violations   Value // an hour
	Changes      uint64
	Late         Value // share of the changes that were later than the limit, or never shown; undefined without a limit of changes
}

// Entry is an entry of the forward list and how it was served, all replications
// together.
type Entry struct {
	ID     string
	Policy *bridge.Policy // that it goes by
	Class  int            // of priority
	Bytes  int            // of its record in a broadcast, from the encoder
	Wanted uint64         // values that the policy set out to send
	Left   uint64         // of these, handed to the medium
	Waited float64        // longest time with something to send of which nothing left, seconds
}

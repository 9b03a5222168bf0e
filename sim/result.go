package sim

import (
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/sim/age"
)

// Replication is what one run of a plan measured.
type Replication struct {
	Index int
	Span  time.Duration // from 0 to the end of the window

	Frames     uint64 // data and remote frames received on the bus from 0 to the end
	FrameFates [fate.Frames]uint64
	BusBusy    time.Duration // time the bus was busy, intermission included, from 0 to the end
	Stages     []bridge.StageUse

	Air       Air
	Receivers []ReceiverRun
}

// Air is what was on the medium inside the air window, which runs from the
// earliest steady-state start of a receiver to the end.
type Air struct {
	Window     time.Duration
	Own        time.Duration // energy of the bridge on air
	Occupied   time.Duration // with access time
	Others     time.Duration // energy of background senders on air
	Offered    time.Duration // by background senders
	Broadcasts uint64        // repeats included
	Records    uint64        // repeats included
}

// ReceiverRun is what one display measured.
type ReceiverRun struct {
	Window       time.Duration // from its steady-state start to the end
	RecordFates  [fate.Records]uint64
	Filled       bool          // every signal became known
	FirstPicture time.Duration // from power-up until then
	Signals      []SignalRun
}

// SignalRun is what one shown signal measured. All tracks cover the same
// instants: inside the window and while the value at the glass is known.
type SignalRun struct {
	Glass, Memory, Floor *age.Track // closed
	// Waterfall holds twice the integral of each term over those instants,
	// in square nanoseconds. The terms sum to twice the integral of the age
	// at the glass.
	Waterfall [fate.Stages]age.Int128
}

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
	BusWaits   []BusWait     // by message of the message set; nil for a capture
	Stages     []bridge.StageUse
	Entries    []bridge.SlotUse // by entry of the forward list
	Records    uint64           // record transmissions begun from 0 to the end, repeats included

	Air        Air
	Receivers  []ReceiverRun
	Neighbours []NeighbourRun
	Phases     []PhaseRun // nil when the plan has fewer than two
}

// NeighbourRun is what the vehicles of one name did, from 0 to the end, all
// copies together.
type NeighbourRun struct {
	Name        string
	Count       int
	Own         time.Duration // energy on air inside the air window
	Broadcasts  uint64        // begun inside the air window
	RecordFates [fate.Records]uint64
}

// PhaseRun is what one phase measured: inside the steady-state window, but for the
// fates, which count from the start.
type PhaseRun struct {
	Name      string
	From      time.Duration
	Until     time.Duration
	Air       Air
	Receivers []PhaseReceiver
}

// PhaseReceiver is what one display measured in a phase.
type PhaseReceiver struct {
	Window      time.Duration // of the phase inside the receiver's window
	RecordFates [fate.Records]uint64
	Glass       []*age.Track // by shown signal, closed
}

// Air is what was on the medium inside the air window, which runs from the
// earliest steady-state start of a receiver to the end.
type Air struct {
	Window     time.Duration
	Own        time.Duration // energy of the bridge on air
	Occupied   time.Duration // with access time
	Others     time.Duration // energy of neighbours and background senders on air
	Offered    time.Duration // by background senders
	Broadcasts uint64        // repeats included
	Records    uint64        // repeats included
}

// ReceiverRun is what one display measured.
type ReceiverRun struct {
	Window       time.Duration // from its steady-state start to the end
	RecordFates  [fate.Records]uint64
	Foreign      [fate.Foreigns]uint64 // broadcasts of other sets
	Restarts     uint64                // of the bridge, noticed by its sequence
	Filled       bool                  // every signal became known
	FirstPicture time.Duration         // from power-up until then
	Signals      []SignalRun
}

// SignalRun is what one shown signal measured. Signals of the same values and the
// same limit share their tracks. All tracks cover the same
// instants: inside the window and while the value at the glass is known.
type SignalRun struct {
	Glass, Memory, Floor *age.Track // closed
	// Waterfall holds twice the integral of each term over those instants,
	// in square nanoseconds. The terms sum to twice the integral of the age
	// at the glass.
	Waterfall [fate.Stages]age.Int128

	Seen      bool          // it was at the glass at least once
	First     time.Duration // from power-up until then
	Deadlines Deadlines     // with a limit of age at the glass
	Expiry    *ExpiryRun    // nil without one
	Values    *ValueRun     // nil where the values are not followed
}

// ExpiryRun holds the ages against the expiry of what is shown: the screen shows
// no data while the age at the glass is over it, and that is a false alarm while
// the bus has a value that is not.
type ExpiryRun struct {
	Glass, Floor *age.Track // closed
}

package bridge

import (
	"math/rand/v2"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/fate"
	"stalegauge/bus/signal"
)

// Config describes one bridge. The zero value of a limit means no limit.
type Config struct {
	Controller  Controller
	Pickup      Pickup
	Stalls      []Span       // the processor stands still: nothing is picked up or worked on; in any order, may overlap
	Random      RandomStalls // further spans in which it stands still
	QueueDepth  int          // bus queue between pick-up and forward list, in frames, >= 1
	Forward     []Forward
	Policy      Policy
	Repeat      Repeat
	Layout      Layout
	Limit       RateLimit
	SendQueue   SendQueue
	Pace        Pace
	SendTimeout time.Duration // after which a hand-over that was never confirmed frees the bridge; 0 = never

	MaxPayload int                           // payload limit of the radio, bytes
	Airtime    func(bytes int) time.Duration // energy on air of a broadcast of this size

	// Stream returns the random stream of a purpose, the same for the same
	// purpose and index whatever else is configured. Needed for Random only.
	Stream func(purpose string, index int) *rand.Rand

	// Watch, when not nil, is told each time a listed value passes a stage
	// from [fate.StagePickup] to [fate.StageSendQueue]. For one slot and page
	// and stage the instants never go back, but at may lie after the instant
	// of the call.
	Watch func(stage fate.Stage, slot, page int, validAt, at time.Duration)
}

// Controller is the bus controller's receive buffer.
type Controller struct {
	Frames  int // depth in frames; 0 = unlimited
	Bytes   int // depth in bytes (entries of 3 + data for 11-bit, 5 + data for 29-bit); used when Frames is 0
	Overrun Overrun
}

// Overrun says what a full receive buffer loses.
type Overrun uint8

// The overrun rules.
const (
	DropNew         Overrun = iota // the frame that arrives
	OverwriteLast                  // the frame stored last
	OverwriteOldest                // the frame stored first
)

// Pickup says when the processor takes frames out of the controller. With a
// Tick it looks at every multiple of Tick after Phase, otherwise an interrupt
// calls it Latency after the reception.
type Pickup struct {
	Latency time.Duration // interrupt to first instruction
	Tick    time.Duration // 0 = interrupt
	Phase   time.Duration // first tick
	Cost    time.Duration // processor time a frame
}

// Span is the time from From, included, to Until, excluded.
type Span struct {
	From, Until time.Duration
}

// RandomStalls are stalls of one length that begin at the instants of a Poisson
// process; one that begins while another lasts joins it. The instants come from
// the stream "bridge stalls" alone, so every design meets the same ones.
type RandomStalls struct {
	Every  time.Duration // mean time from begin to begin; 0 = none
	Length time.Duration
}

// Forward is one entry of the forward list.
type Forward struct {
	ID       bus.ID
	Selector *signal.Selector // nil when the identifier has no pages
	Divide   int              // every Divide-th frame passes; 0 or 1 = all
	MinGap   time.Duration    // cap: a frame closer than this after the last that passed is held back; 0 = none
	Length   int              // bytes of data that the layout foresees for it
}

// PolicyKind names a batching policy.
type PolicyKind uint8

// The policies.
const (
	Each  PolicyKind = iota // every listed frame leaves at once, one a broadcast
	Fill                    // collected until the payload is full or the oldest has been held for Hold
	Table                   // the latest value of each identifier and page, every Every
)

// Policy is the batching policy with its parameters.
type Policy struct {
	Kind       PolicyKind
	Hold       time.Duration // Fill: longest wait of the oldest record
	MaxRecords int           // Fill: records in one broadcast at most; 0 = what the payload holds
	Every      time.Duration // Table: period
	Phase      time.Duration // Table: first due instant
	OnlyNew    bool          // Table: leave out values that have been sent already
}

// Repeat sends each broadcast Copies times in all, Spacing apart.
type Repeat struct {
	Copies  int // 0 or 1 = once
	Spacing time.Duration
}

// LayoutKind names a record layout.
type LayoutKind uint8

// The layouts.
const (
	LayoutID   LayoutKind = iota // identifier 2 or 4 bytes, length 1, data
	LayoutSlot                   // index into the forward list 1 byte, data
)

// Layout says how a broadcast is written.
type Layout struct {
	Kind       LayoutKind
	SendTime   bool // flag 1: send time in the header
	RecordAges bool // flag 2: age of each record at the send time
	Version    uint8
	Set        uint16 // set identifier
}

// RateLimit bounds what the bridge hands to the medium: an exact token bucket
// over each limit that is not 0. A bucket holds the tokens of Burst.
type RateLimit struct {
	Broadcasts float64       // a second
	Bytes      float64       // of payload, a second
	AirShare   float64       // of the time, 0..1
	Burst      time.Duration // what may be saved up; 0 = one broadcast of full payload
	Drop       bool          // drop what the bucket cannot pay at once, instead of waiting
}

// FullRule says what a full send queue does.
type FullRule uint8

// The rules.
const (
	FullDropNew     FullRule = iota // lose the broadcast that arrives
	FullDropOldest                  // lose the one that has waited longest
	FullReplaceSame                 // replace a waiting one that carries the same identifiers and pages, else lose the new one
)

// SendQueue holds what waits for rate limit and medium.
type SendQueue struct {
	Depth int // broadcasts, >= 1
	Full  FullRule
}

// Pace says when the next broadcast may be handed over.
type Pace struct {
	Gap time.Duration // 0 = one in flight: after the last was confirmed; else this long after the last hand-over
}

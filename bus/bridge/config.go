package bridge

import (
	"math/rand/v2"
	"time"

	"stalegauge/bus/fate"
	"stalegauge/bus/mask"
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
	Policies    []Policy // further policies of a mix, see [Forward.Policy]; they share limit, pace and send queue
	Repeat      Repeat
	Layout      Layout
	Limit       RateLimit
	SendQueue   SendQueue
	Pace        Pace
	SendTimeout time.Duration // after which a hand-over that was never confirmed frees the bridge; 0 = never
	// KeepLast holds the broadcast that was handed over last, so that it can be
	// sent once more, see [Bridge.Again].
	KeepLast bool
	// DropOlder keeps values older than this from being handed over; 0 = sends
	// them all the same.
	DropOlder time.Duration

	MaxPayload int                           // payload limit of the radio, bytes
	Airtime    func(bytes int) time.Duration // energy on air of a broadcast of this size; Limit.AirShare and the policy Slack need it

	// Stream returns the random stream of a purpose, the same for the same
	// purpose and index whatever else is configured. Needed for Random only.
	Stream func(purpose string, index int) *rand.Rand

	// Watch, when not nil, is told each time a listed value passes a stage
	// from [fate.StagePickup] to [fate.StageSendQueue]. For one slot and page
	// and stage the instants never go back, but at may lie after the instant
	// of the call. The record may be read during the call only.
	Watch func(stage fate.Stage, r *Record, at time.Duration)
	// Settled, when not nil, is told the fate of each listed frame once, when it
	// is known for good. The fates told sum to those of [Bridge.Fates], but for
	// frames that are not on the forward list. The record may be read during the
	// call only.
	Settled func(f fate.Frame, r *Record, at time.Duration)
}

// Controller is the bus controller: its acceptance masks and its receive buffer.
type Controller struct {
	Masks   *mask.Program // what they turn away takes no room and no work; nil = everything passes
	Frames  int           // depth in frames; 0 = unlimited
	Bytes   int           // depth in bytes (entries of 3 + data for 11-bit, 5 + data for 29-bit); used when Frames is 0
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

// Repeat sends each broadcast Copies times in all, Spacing apart.
type Repeat struct {
	Copies  int // 0 or 1 = once
	Spacing time.Duration
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
	// InRadio is how many broadcasts the radio holds at most, those included that the
	// bridge gave up waiting for. 0 = any number.
	InRadio int
}

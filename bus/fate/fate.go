// Package fate holds the closed word lists of the ledgers and of the waterfall.
//
// Every frame on the bus ends with exactly one [Frame] word, every record that
// is transmitted ends with exactly one [Record] word for each receiver, and the
// age of a shown value splits into one term for each [Stage]. Reports in every
// format print these words and no others.
package fate

// Frame says what became of one frame of the bus.
type Frame uint8

// The fates of a bus frame, in the order in which a frame can meet them.
const (
	FrameOverrun       Frame = iota // lost in the bus controller, its buffer was full
	FrameMasked                     // turned away by an acceptance mask
	FrameBusQueueFull               // lost between the processor's pick-up and the forward list
	FrameNotListed                  // its identifier is not on the forward list, or it carries no data
	FrameDivided                    // held back by a divider or a rate cap of its identifier
	FrameReplaced                   // a newer frame took its place before it left: harmless
	FrameRateLimited                // dropped because the rate limit was reached
	FrameSendQueueFull              // dropped because the send queue was full
	FrameAccessFailed               // the medium never became free for it
	FrameSendTimeout                // the radio never confirmed that it was sent
	FrameBadLength                  // shorter or longer than the layout says
	FrameBridgeDown                 // the bridge was off or restarting
	FrameExpired                    // grew too old inside the bridge
	FrameInsideAtEnd                // still inside the bridge when the run ended
	FrameSent                       // its value left in at least one broadcast
	Frames                          // how many words there are
)

var frameWords = [Frames]string{
	"overrun", "masked", "bus_queue_full", "not_listed", "divided", "replaced",
	"rate_limited", "send_queue_full", "access_failed", "send_timeout",
	"bad_length", "bridge_down", "expired", "inside_at_end", "sent",
}

// String returns the ledger's word.
func (f Frame) String() string { return frameWords[f] }

// Record says what became of one transmitted record at one receiver.
type Record uint8

// The fates of a record, in the order in which a record can meet them.
const (
	RecordNotPowered    Record = iota // the receiver was off
	RecordNotListening                // the receiver was powered but not listening
	RecordCollided                    // another sender was on the air at the same time
	RecordFaded                       // lost on the way to this receiver
	RecordBitErrors                   // arrived damaged
	RecordOutage                      // lost in a scripted outage
	RecordQueueFull                   // dropped by the receiver's full queue
	RecordWrongLayout                 // of a layout version this receiver does not know
	RecordDuplicate                   // a repeat of a broadcast that had already arrived
	RecordSame                        // carries the value that is already held
	RecordOlder                       // carries a value older than the one held
	RecordInFlightAtEnd               // still under way when the run ended
	RecordTaken                       // brought a newer value, shown there or not
	Records                           // how many words there are
)

var recordWords = [Records]string{
	"not_powered", "not_listening", "collided", "faded", "bit_errors", "outage",
	"queue_full", "wrong_layout", "duplicate", "same", "older",
	"in_flight_at_end", "taken",
}

// String returns the ledger's word.
func (r Record) String() string { return recordWords[r] }

// Foreign says what became of one broadcast of another set at one receiver. It
// brings nothing, but it takes handler time and a place in the queue.
type Foreign uint8

// The fates of a foreign broadcast, in the order in which it can meet them.
const (
	ForeignNotPowered    Foreign = iota // the receiver was off
	ForeignNotListening                 // the receiver was powered but not listening
	ForeignCollided                     // two senders were on the air at the same time
	ForeignFaded                        // lost on the way to this receiver
	ForeignBitErrors                    // arrived damaged
	ForeignOutage                       // lost in a scripted outage
	ForeignQueueFull                    // dropped by the receiver's full queue
	ForeignInFlightAtEnd                // still under way when the run ended
	ForeignIgnored                      // handled and thrown away
	Foreigns                            // how many words there are
)

var foreignWords = [Foreigns]string{
	"not_powered", "not_listening", "collided", "faded", "bit_errors", "outage",
	"queue_full", "in_flight_at_end", "ignored",
}

// String returns the ledger's word.
func (f Foreign) String() string { return foreignWords[f] }

// Stage is a point that a value passes between its source and the glass. The
// waterfall term of a stage is what that stage adds to the age, waiting and
// losing together.
type Stage uint8

// The stages in the order in which a value passes them.
const (
	StageSource       Stage = iota // released at the sending node
	StageWire                      // received on the bus
	StagePickup                    // picked up by the bridge's processor
	StageBusQueue                  // offered to the policy
	StageHold                      // taken into a broadcast
	StageRateLimit                 // past the rate limit
	StageSendQueue                 // handed to the medium
	StageAccess                    // air begun
	StageAirtime                   // air ended
	StageCollision                 // not collided
	StageFading                    // heard
	StageReceiveQueue              // handler begun
	StageHandler                   // handled, in memory
	StageRedraw                    // shown
	Stages                         // how many stages there are
)

var stageWords = [Stages]string{
	"source", "wire", "pickup", "bus_queue", "hold", "rate_limit", "send_queue",
	"access", "airtime", "collision", "fading", "receive_queue", "handler",
	"redraw",
}

// String returns the waterfall's key.
func (s Stage) String() string { return stageWords[s] }

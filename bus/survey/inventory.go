package survey

import (
	"time"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

// Inventory is what a survey found. Loads and shares are 0..1.
type Inventory struct {
	Span    time.Duration // from the first frame to the last, what was cut out excluded
	BitRate BitRate
	Frames  uint64 // data and remote frames
	Remotes uint64 // of them
	Errors  uint64 // error frames
	Fast    uint64 // frames with a faster data phase
	Others  uint64 // frames of identifiers beyond those told apart
	PerSecond,
	Load float64
	Windows   []WindowLoad
	IDs       []ID // the costliest first
	Groups    []Group
	Storms    []Storm
	Gaps      uint64
	Silence   time.Duration // the longest without any frame, gaps excluded
	SilenceAt time.Duration
	Unknown   []bus.ID // without a layout, where there are layouts
	Unseen    []Unseen // layouts of which no frame was met
	Laid      bool     // there are layouts
}

// WindowLoad is the load over stretches of one length.
type WindowLoad struct {
	Length                   time.Duration
	Median, Quantile99, Most float64
	MostAt                   time.Duration // begin of the stretch with the most
	Stretches                uint64        // whole ones
}

// Regularity says how something is sent.
type Regularity uint8

// The ways.
const (
	Once    Regularity = iota // at most once: there is no interval
	Cyclic                    // by a clock
	Mixed                     // by a clock and on events
	OnEvent                   // without a clock
	Unclear                   // too few frames, or all at one instant
)

// String returns the words for it.
func (r Regularity) String() string {
	return [...]string{"once", "cyclic", "cyclic and on event", "on event", "unclear"}[r]
}

// Rhythm says when something was received. Times are 0 where there is no interval.
type Rhythm struct {
	Frames      uint64
	First, Last time.Duration
	Regularity  Regularity
	Mean        time.Duration // between frames, gaps excluded
	MeanExact   float64       // the same, ns
	Median      time.Duration
	Low, High   time.Duration // 5 % and 95 % of the intervals are at most this long
	Shortest    time.Duration
	Longest     time.Duration // silence
	LongestAt   time.Duration
}

// Jitter is how far the middle 90 % of the intervals are apart.
func (r *Rhythm) Jitter() time.Duration { return r.High - r.Low }

// ID is what was found of one identifier.
type ID struct {
	ID   bus.ID
	Name string // of the layout, "" without one
	Rhythm
	Pages             []Page // by number, for layouts with pages
	Remotes           uint64
	Flexible          uint64 // frames in FD format
	Fast              uint64 // of them with a faster data phase
	MinLength, Length int    // bytes of data, least and most
	Bits              float64
	Load              float64 // of the bus
	Share             float64 // of all bits on the bus
	Changing          []byte  // bits that changed, by byte
	Moved             float64 // share of the frames that differ from the one before
	Like              Like
	Signals           []Signal
	Declared          time.Duration // period that the layout states, 0 = none
	Typical           []byte        // data with a length on the wire near the mean
	Unpaged           uint64        // frames whose page could not be told or kept

	layout *Layout
	order  []int
	asked  int
}

// Page is one page of an identifier.
type Page struct {
	Number int
	Rhythm
}

// Movement says how a signal moves, which is what its limit of age should go by.
type Movement uint8

// The ways.
const (
	Never      Movement = iota // it was always the same
	Rarely                     // it changes less than once in 20 frames, or once in 5 s
	InPulses                   // it has two values and is back from one of them soon
	Constantly                 // it changes all the time
)

// String returns the word for it.
func (m Movement) String() string {
	return [...]string{"never", "rarely", "in pulses", "constantly"}[m]
}

// Signal is what was found of a signal of one identifier.
type Signal struct {
	signal.Definition
	Label      string  // what the last value is called, "" = nothing
	Frames     uint64  // that carry it
	Outside    uint64  // of them beyond the limits that the database states
	Low, High  float64 // met
	Last       float64
	Changes    uint64
	PerSecond  float64
	Movement   Movement
	Shortest   time.Duration // between two changes; 0 = there were no two
	Used       float64       // resolution used: what all steps are multiples of, physical; 0 = never moved or a floating point number
	MeanStep   float64       // of a change
	LongStep   float64
	Pulse      time.Duration // shortest stay at the rarer of two values
	Two        bool          // it took two values
	IsSelector bool
	Alive      bool // it is a counter or a checksum, or looks like one

	levels [2]level
	fits   bool // it can be simulated: see signal.Message.Paged
}

// Group is identifiers that are sent back to back, in this order.
type Group struct {
	IDs   []bus.ID
	Share float64 // of the frames of the last that follow the one before directly
}

// Storm is a stretch of 100 ms of which one identifier took far more than usual.
type Storm struct {
	ID     bus.ID
	At     time.Duration
	Frames uint64
	Load   float64       // of the bus, during it
	Usual  float64       // in the median of such stretches, one frame at least
	Lasted time.Duration // all stretches of more than five times the usual together
}

// Unseen is a message that is known of and was not met.
type Unseen struct {
	ID     bus.ID
	Name   string
	Period time.Duration
}

// Selector returns the page selector that the layout of the identifier has, nil
// where it has none or there is no layout.
func (d *ID) Selector() *signal.Selector {
	if d.layout == nil {
		return nil
	}
	return d.layout.Selector
}

// Fits reports whether one page selector is enough to say when the signal is
// carried, so that it can be simulated.
func (s *Signal) Fits() bool { return s.fits }

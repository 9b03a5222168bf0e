// Package radio holds the radio profiles, the access to a shared medium and
// the loss of broadcasts in time. It sees byte counts and instants only.
package radio

import (
	"math/rand/v2"
	"time"
)

// Profile is one way to put bytes on the air.
type Profile interface {
	// Name is the profile's name in a scenario.
	Name() string
	// MaxPayload is the largest payload of one broadcast, in bytes.
	MaxPayload() int
	// Airtime is the time that energy is on the air, from the preamble to
	// the last symbol, for a payload of n bytes.
	Airtime(n int) time.Duration
	// Channel returns the shared medium of this profile.
	Channel(c ChannelConfig) Channel
}

// ChannelConfig says who shares a medium.
type ChannelConfig struct {
	Stations   int          // bridges, numbered from 0
	Background []Background // other senders
	// Stream returns the random stream of a purpose: the same stream for the
	// same name and index in every design.
	Stream func(purpose string, index int) *rand.Rand
}

// Background is a sender that is nobody's bridge.
type Background struct {
	Name        string
	Share       float64       // of the time on air that it offers, 0..1, without access
	Frame       time.Duration // one frame on air
	BurstFrames float64       // mean frames that arrive together, >= 1
	Window      int           // contention window CW; 0 = the profile's
	Hidden      bool          // neither defers nor is deferred to: it only collides
	From, Until time.Duration // active span; Until 0 = to the end
}

// EventKind says what happened to a station's transmission.
type EventKind uint8

// The kinds of event.
const (
	Began        EventKind = iota // the first energy is on the air
	Ended                         // the last symbol has left; Collided is valid
	AccessFailed                  // the medium never became free: nothing was sent
)

// Event is something that happened to a station of the simulation.
type Event struct {
	At       time.Duration
	Kind     EventKind
	Station  int
	Collided bool
}

// Channel is a medium shared by stations and background senders. It owns no
// clock: the driver asks for the next instant and tells it that the instant has
// come.
type Channel interface {
	// Request says that station has a broadcast of n payload bytes ready at
	// now. A station has at most one request open until its Ended or
	// AccessFailed event.
	Request(now time.Duration, station, n int)
	// Next returns the instant of the next thing that happens on the medium,
	// whoever causes it.
	Next() (time.Duration, bool)
	// Advance performs what happens at exactly now, which must be what Next
	// returned, and appends the events of the stations to events. Ends come
	// before begins, then the lower station first.
	Advance(now time.Duration, events []Event) []Event
	// Usage returns what was on the air from 0 to now.
	Usage(now time.Duration) Usage
}

// Usage sums up time on a medium.
type Usage struct {
	Own      []time.Duration // energy on air, by station
	Occupied []time.Duration // with access time (from the start of the wait on an idle medium), by station
	Offered  time.Duration   // by background senders
	Others   time.Duration   // energy of background senders on air
	Busy     time.Duration   // energy of anybody, overlaps once
	Sent     []uint64        // broadcasts, by station
	Collided []uint64        // of them, by station
}

// Outcome says what a receiver made of a broadcast.
type Outcome uint8

// The outcomes.
const (
	Heard Outcome = iota
	Faded
	BitErrors
	Outage
	NotListening
)

// Weather is the loss between a sender and one receiver: a two-state process in
// continuous time.
type Weather struct {
	Loss     float64       // share of broadcasts lost, 0..1
	Burst    time.Duration // mean time in the bad state
	GoodLoss float64       // chance of loss in the good state
	BadLoss  float64       // chance of loss in the bad state; 0 means 1
}

// Fading is the state of one Weather as time goes on.
type Fading struct {
	weather Weather
}

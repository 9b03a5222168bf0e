// Package radio holds the radio profiles, the access to a shared medium and
// the loss of broadcasts in time. It sees byte counts and instants only.
//
// Four doors lead in. A [Profile] says what one broadcast costs on the air; it
// comes from [NewProfile]. Its [Channel] is the medium that several senders
// share. A [Fading] says, per receiver, which of the broadcasts that were not
// collided are heard, and a [Listener] puts it together with the events of the
// medium and the channels on which the receiver listens.
//
// Everything here is passive: no clock, no goroutine, no dice of its own. The
// caller tells the time and hands in the random streams.
//
// Clause numbers without a further name are those of IEEE 802.11-2016; files of
// other standards name theirs.
package radio

import (
	"math"
	"math/rand/v2"
	"time"
)

// never is an instant that does not come.
const never = time.Duration(math.MaxInt64)

// Profile is one way to put bytes on the air.
type Profile interface {
	// Name is the profile's name in a scenario.
	Name() string
	// MaxPayload is the largest payload of one broadcast, in bytes.
	MaxPayload() int
	// Airtime is the time that energy is on the air, from the preamble to
	// the last symbol, for a payload of n bytes. It panics when n is not in
	// 0..MaxPayload.
	Airtime(n int) time.Duration
	// Signal describes the inside of a broadcast: the preamble and physical
	// headers come first, then bits at a constant rate (bit/s; 0 when the
	// profile has no bits). Bit errors hit the bits only.
	Signal() (preamble time.Duration, bitsPerSecond float64)
	// Channel returns the shared medium of this profile. It panics when
	// c.Check finds a mistake.
	Channel(c ChannelConfig) Channel
}

// EventKind says what happened to a station's transmission.
type EventKind uint8

// The kinds of event. Most profiles know the first three only. Advertising has
// the others, too: an event of it opens, begins, holds packets on several
// channels with silence in between, and ends.
const (
	Began        EventKind = iota // the first energy is on the air
	Ended                         // the last symbol has left; Collided and Free are valid
	AccessFailed                  // nothing was sent: the medium never became free, or the duty limit forbids it
	// Opened: an advertising event of a station without an open request is
	// due. A Request at this very instant, before the next Advance, goes out
	// in it; otherwise the station stays silent until its next event. This is
	// the place to choose the content, or to send the last one again.
	Opened
	PacketBegan // one packet of a broadcast is on the air
	// PacketEnded: it has left it. Collided is valid for it alone; one whose
	// pointers all collided counts as collided, since nobody can have followed.
	PacketEnded
)

// String returns the kind in words.
func (k EventKind) String() string {
	return [...]string{"begins", "ends", "fails", "opens", "packet begins", "packet ends"}[k]
}

// Event is something that happened to a station of the simulation.
type Event struct {
	At      time.Duration
	Kind    EventKind
	Station int
	// Collided, of Ended: no receiver can have heard the broadcast. Where it
	// has several packets some of them may have collided without that.
	Collided bool
	Until    time.Duration // of Began and PacketBegan: the instant of the end
	Channel  int           // of PacketBegan and PacketEnded: the channel index
	Pointer  bool          // of PacketBegan and PacketEnded: it holds no payload and tells where the packet with it follows
	// Free, of Ended: a duty limit whose rule is to wait keeps the station from
	// sending before; 0 = nothing does.
	Free time.Duration
}

// Channel is a medium shared by stations and background senders. It owns no
// clock: the driver asks for the next instant and tells it that the instant has
// come. Its answers do not depend on whether requests of an instant come before
// or after Advance of the same instant.
type Channel interface {
	// Request says that station has a broadcast of n payload bytes ready at
	// now, which is neither before the last Advance nor after Next. A station
	// has at most one request open until its Ended or AccessFailed event; a
	// second one panics.
	Request(now time.Duration, station, n int)
	// Next returns the instant of the next thing that happens on the medium,
	// whoever causes it; false when nothing will without a further request.
	// It may be the present instant again (an immediate access, a broadcast
	// without airtime). An advertising medium opens events for ever.
	Next() (time.Duration, bool)
	// Advance performs what happens at exactly now, which must be what Next
	// returned, and appends the events of the stations to events. Ends come
	// before begins, then the lower station first.
	Advance(now time.Duration, events []Event) []Event
	// Usage returns what was on the air from 0 to now, which must lie between
	// the last Advance and Next. What is still on the air counts up to now.
	// The slices belong to the caller.
	Usage(now time.Duration) Usage
}

// Usage sums up time on a medium.
type Usage struct {
	// Own is the energy on the air, by station.
	Own []time.Duration
	// Occupied is Own with the time that each broadcast keeps the station
	// itself from sending. Action frames: the silent signal extension, one
	// DIFS and the backoff drawn after it. 802.15.4: the access, failed ones
	// too, and the interframe spacing. Advertising: the time to the next
	// event. Packets sent without listening: start-up, and the silence that
	// the duty limit imposes. A lone station that always has the next
	// broadcast ready occupies exactly all of the time, so the share says how
	// much of its own capacity a station uses. Stations wait together: the
	// sum over stations can exceed the time. Everything but the energy and
	// the silence, which count as they pass, is booked when a broadcast ends.
	Occupied []time.Duration
	Offered  time.Duration // airtime that background senders wanted to send
	Others   time.Duration // energy of background senders on the air
	Busy     time.Duration // energy of anybody, overlaps counted once
	Sent     []uint64      // broadcasts that have left, by station
	Collided []uint64      // of them, by station
}

// newUsage returns a Usage for n stations.
func newUsage(n int) Usage {
	return Usage{
		Own: make([]time.Duration, n), Occupied: make([]time.Duration, n),
		Sent: make([]uint64, n), Collided: make([]uint64, n),
	}
}

// clone returns a copy that shares nothing.
func (u Usage) clone() Usage {
	u.Own = append([]time.Duration(nil), u.Own...)
	u.Occupied = append([]time.Duration(nil), u.Occupied...)
	u.Sent = append([]uint64(nil), u.Sent...)
	u.Collided = append([]uint64(nil), u.Collided...)
	return u
}

// underWay adds what sender i, a station or one behind them, has sent so far.
func (u *Usage) underWay(i int, sofar time.Duration) {
	if i >= len(u.Own) {
		u.Others += sofar
		return
	}
	u.Own[i] += sofar
	u.Occupied[i] += sofar
}

// exponential draws a time of the given mean (ns), rounded to the nanosecond
// and held below 73 years so that sums of instants cannot overflow. u is
// uniform on 0 <= u < 1.
func exponential(u, mean float64) time.Duration {
	x := -math.Log1p(-u)*mean + 0.5
	if x > math.MaxInt64/4 {
		return math.MaxInt64 / 4
	}
	return time.Duration(x)
}

// later returns t + d, or never when the sum is beyond all instants.
func later(t, d time.Duration) time.Duration {
	if d > never-t {
		return never
	}
	return t + d
}

// stream returns the stream of a purpose and refuses a missing one.
func (c ChannelConfig) stream(purpose string, index int) *rand.Rand {
	r := c.Stream(purpose, index)
	if r == nil {
		panic("radio: ChannelConfig.Stream returned nil for " + purpose)
	}
	return r
}

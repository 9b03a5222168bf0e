package live

import (
	"slices"
	"time"
)

// envelope estimates the clock of a sender on another host: the line below all
// points (arrival, arrival - send time) that lies nearest to them, which is the
// edge of their lower convex hull over the mean arrival (Moon, Skelly, Towsley,
// "Estimation and removal of clock skew from network delay measurements", INFOCOM
// 1999). Of each second the lowest point counts, of the last ten minutes.
type envelope struct {
	points []delayPoint // lowest of each second, in order
	line   delayPoint   // a point of the line
	slope  float64
	some   bool
}

type delayPoint struct{ at, delay time.Duration }

const (
	envelopePoints = 600
	// trusted is how many seconds there must be before a drift is believed, and
	// fastest the drift of a clock that is: quartz clocks stay below 200 ppm.
	trusted = 10
	fastest = 1e-3
)

// add takes a point in and returns by how much it lies above the line.
func (e *envelope) add(at, delay time.Duration) time.Duration {
	n := len(e.points)
	switch {
	case n == 0 || e.points[n-1].at/time.Second != at/time.Second:
		e.fit()
		if n == envelopePoints {
			e.points = slices.Delete(e.points, 0, 1)
		}
		e.points = append(e.points, delayPoint{at, delay})
	case delay < e.points[n-1].delay:
		e.points[n-1] = delayPoint{at, delay}
	}
	if above := delay - e.floor(at); e.some && above >= 0 {
		return above
	}
	e.line, e.some = delayPoint{at, delay}, true
	return 0
}

// floor returns the line at an instant.
func (e *envelope) floor(at time.Duration) time.Duration {
	return e.line.delay + time.Duration(e.slope*float64(at-e.line.at))
}

// fit lays the line anew under the points.
func (e *envelope) fit() {
	if len(e.points) < trusted {
		return
	}
	var hull []delayPoint
	var sum time.Duration
	for _, p := range e.points {
		sum += p.at - e.points[0].at
		for len(hull) > 1 && slopeOf(hull[len(hull)-2], hull[len(hull)-1]) >= slopeOf(hull[len(hull)-2], p) {
			hull = hull[:len(hull)-1]
		}
		hull = append(hull, p)
	}
	mean := e.points[0].at + sum/time.Duration(len(e.points))
	i := 1
	for i < len(hull)-1 && hull[i].at < mean {
		i++
	}
	e.line, e.slope = hull[i-1], max(-fastest, min(fastest, slopeOf(hull[i-1], hull[i])))
}

func slopeOf(a, b delayPoint) float64 { return float64(b.delay-a.delay) / float64(b.at-a.at) }

// sendClock turns the send times of datagrams into instants of the listener.
type sendClock struct {
	same     bool // the sender's clock is this host's
	some     bool
	stamp    uint32
	sent     time.Duration // the last send time, counted on beyond 2^32 us
	delay    time.Duration // arrival - send time of the last datagram
	envelope envelope
	moved    time.Duration
}

// Limits of what is believed of a clock.
const (
	earliest = -50 * time.Millisecond // a datagram that arrives before it was sent
	latest   = 10 * time.Second       // the slowest way on one host
	jump     = time.Second            // of a sender's clock between two datagrams
)

// restart forgets the sender's clock.
func (c *sendClock) restart(same bool) { *c = sendClock{same: same, moved: c.moved} }

// sentAt returns when a datagram was sent, in the listener's time, given its
// arrival, the wall clock then (since the Unix epoch) and its send time. On one
// host that is exact to the microsecond; otherwise it is the latest instant
// possible. ok is false when the clock has jumped: then nothing is noted.
func (c *sendClock) sentAt(at, wall time.Duration, stamp uint32) (sent time.Duration, ok bool) {
	if c.same {
		delay := time.Duration(int32(uint32(wall/time.Microsecond)-stamp)) * time.Microsecond
		if delay < earliest || delay > latest {
			return 0, false
		}
		c.some, c.delay = true, delay
		return at - max(0, delay), true
	}
	next := c.sent + time.Duration(int32(stamp-c.stamp))*time.Microsecond
	if !c.some {
		next = time.Duration(stamp) * time.Microsecond
	}
	delay := at - next
	if d := delay - c.delay; c.some && (d > jump || d < -jump) {
		return 0, false
	}
	c.some, c.sent, c.stamp, c.delay = true, next, stamp, delay
	return at - c.envelope.add(at, delay), true
}

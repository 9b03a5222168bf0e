package radio

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"
)

// ChannelConfig says who shares a medium.
type ChannelConfig struct {
	Stations   int          // bridges, numbered from 0
	Background []Background // other senders
	// Power is the level of each station at the receivers, in dB against a
	// common reference; nil = all 0. It matters only with Settings.Capture.
	Power []float64
	// Stream returns the random stream of a purpose: the same stream for the
	// same name and index in every design. The purposes are "backoff" (one
	// per station), "background arrivals" and "background backoff", and
	// "advertising" (one per station).
	Stream func(purpose string, index int) *rand.Rand
}

// Background is a sender that is nobody's bridge. Its frames are sent once,
// like broadcasts, on the physical layer of the profile.
//
// A sender that defers gets its bursts at Poisson instants, queues them without
// limit and contends like a station. One that does not (Hidden, Deaf) sends a
// burst back to back and then is silent for an exponential time: on the air for
// Share of the time. What waits at Until is dropped.
type Background struct {
	Name        string
	Share       float64       // of the time on air that it offers, 0..1, without access
	Frame       time.Duration // energy of one frame, at least 1us
	BurstFrames float64       // mean frames that arrive together (geometric), >= 1; 0 = 1
	Window      int           // action frames: contention window CW, 1..1023; 0 = the profile's
	Hidden      bool          // neither defers nor is deferred to: it only collides
	Deaf        bool          // does not defer, though the others defer to it
	Power       float64       // dB at the receivers, as ChannelConfig.Power
	From, Until time.Duration // active span; Until 0 = to the end
}

// Check returns every mistake in b, each a *Mistake, joined.
func (b Background) Check() error {
	var m mistakes
	m.share("share", b.Share)
	if b.Share != 0 || b.Frame != 0 {
		m.between("frame", b.Frame, time.Microsecond, longestAirtime)
	}
	if !(b.BurstFrames == 0 || b.BurstFrames >= 1 && b.BurstFrames <= 1e6) {
		m.add("bursts", b.BurstFrames, "a mean of 1 to 1000000 frames")
	}
	if b.Window < 0 || b.Window > 1023 {
		m.add("window", b.Window, "1 to 1023 slots")
	}
	if !finite(b.Power) {
		m.add("power", b.Power, "a level in dB")
	}
	if b.From < 0 {
		m.add("from", b.From, "a time of 0 or more")
	}
	if b.Until != 0 && b.Until <= b.From {
		m.add("until", b.Until, fmt.Sprintf("a time after from (%v), or none", b.From))
	}
	return m.err()
}

// Check returns every mistake in c, joined.
func (c ChannelConfig) Check() error {
	var m mistakes
	if c.Stations < 0 {
		m.add("stations", c.Stations, "0 or more")
	}
	if c.Power != nil && len(c.Power) != c.Stations {
		m.add("power", fmt.Sprintf("%d levels", len(c.Power)), fmt.Sprintf("one for each of %d stations", c.Stations))
	}
	for _, p := range c.Power {
		if !finite(p) {
			m.add("power", p, "a level in dB")
		}
	}
	for _, b := range c.Background {
		if err := b.Check(); err != nil {
			m = append(m, fmt.Errorf("background %q: %w", b.Name, err))
		}
	}
	return m.err()
}

// source is the traffic of a background sender.
type source struct {
	frame    time.Duration
	gap      float64 // mean ns from burst to burst, or of the silence when blind
	escape   float64 // ln of the chance that a burst goes on; 0 = single frames
	until    time.Duration
	next     time.Duration // arrival of the next burst, or end of the silence
	queued   int           // frames that have arrived and not left
	blind    bool
	arrivals *rand.Rand
	offered  time.Duration
}

// newSource returns the traffic of b, silent until its first burst.
func newSource(b Background, arrivals *rand.Rand) source {
	s := source{frame: b.Frame, until: b.Until, blind: b.Hidden || b.Deaf, next: never, arrivals: arrivals}
	if s.until == 0 {
		s.until = never
	}
	if b.Share == 0 {
		return s
	}
	mean := max(1, b.BurstFrames)
	if mean > 1 {
		s.escape = math.Log1p(-1 / mean)
	}
	burst := mean * float64(b.Frame)
	s.gap = burst / b.Share
	if s.blind {
		s.gap = burst * (1 - b.Share) / b.Share
	}
	s.schedule(b.From)
	return s
}

// schedule draws when the next burst comes.
func (s *source) schedule(now time.Duration) {
	s.next = later(now, exponential(s.arrivals.Float64(), s.gap))
	if s.next >= s.until {
		s.next = never
	}
}

// burst draws the length of a burst.
func (s *source) burst() int {
	if s.escape == 0 {
		return 1
	}
	return 1 + int(min(math.Log1p(-s.arrivals.Float64())/s.escape, 1e9))
}

// absorb queues what has arrived up to now.
func (s *source) absorb(now time.Duration) {
	for s.next <= now {
		n := s.burst()
		s.queued += n
		s.offered += time.Duration(n) * s.frame
		if s.blind {
			s.next = never // until the burst has left
			return
		}
		s.schedule(s.next)
	}
}

// sent takes the frame that has just left out of the queue and says whether
// another one is ready.
func (s *source) sent(now time.Duration) bool {
	s.absorb(now)
	s.queued--
	if now >= s.until {
		s.queued = 0
	}
	if s.queued == 0 && s.blind {
		s.schedule(now)
	}
	return s.queued > 0
}

package response

import (
	"cmp"
	"slices"
	"time"

	"stalegauge/bus"
)

// Message is what the analysis needs to know of a message.
type Message struct {
	Name     string
	ID       bus.ID
	Remote   bool
	Longest  time.Duration // on the wire, intermission included
	Releases []Releases    // several when it is sent for several reasons; none = never sent
	Deadline time.Duration // 0 = the shortest Distance of Releases
}

// Releases is a stream of releases: each at most Jitter late against ticks that
// are at least Distance apart.
type Releases struct {
	Distance time.Duration // above 0
	Jitter   time.Duration // not negative
}

// Errors says how many errors there can be on the bus. The zero value is a bus
// without errors.
type Errors struct {
	Burst int           // errors that may come at once
	Every time.Duration // after a burst, the shortest distance of further errors; 0 = none follow
}

// Set is a message set to be analysed.
type Set struct {
	Messages []Message // in any order; no two with the same arbitration field
	BitRate  int       // bit/s, nominal
	Errors   Errors
	// Blocking is the longest frame of traffic that the set does not hold and
	// that is less urgent than all of it, such as diagnosis; 0 = there is none.
	Blocking time.Duration
}

// Bound is the answer for one message.
type Bound struct {
	// Bounded is false where messages of this and of higher priority ask for the
	// whole bus, or so nearly that the analysis does not end. All times but
	// Blocking are then 0.
	Bounded   bool
	Blocking  time.Duration // B
	Busy      time.Duration // longest time in which the bus is not free for less urgent messages
	Instances int           // of the message inside Busy
	Worst     int           // the one that waits longest, from 0
	// Response is R: from the tick to the end of the intermission, the jitter of
	// the release included.
	Response time.Duration
	// Latency is from the release itself to the reception, which is the end of
	// the last but one bit of EOF.
	Latency  time.Duration
	Deadline time.Duration
}

// Meets reports whether the response is never later than the deadline.
func (b *Bound) Meets() bool { return b.Bounded && b.Response <= b.Deadline }

// Bounds on the work. A busy period over an hour is of a bus that is as good as
// full, and so is one that takes this many steps to find.
const (
	longestBusy = time.Hour
	mostSteps   = 200_000
)

// Analyze returns the bounds of the messages in the order of the set. The work
// grows with the square of their number. It panics for a set with wrong values:
// they come from the program.
func Analyze(s Set) []Bound { return analyze(s, 0) }

// analyze looks at no more than so many instances of a message; 0 = all.
func analyze(s Set, instances int) []Bound {
	s.check()
	order := make([]int, len(s.Messages))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		return cmp.Compare(s.Messages[a].priority(), s.Messages[b].priority())
	})
	bounds := make([]Bound, len(s.Messages))
	blocking := s.Blocking
	a := analysis{set: &s, bit: perBit(s.BitRate), instances: instances,
		tail: (bus.Intermission + 1) * time.Second / time.Duration(s.BitRate)}
	blockings := make([]time.Duration, len(order))
	for rank := len(order) - 1; rank >= 0; rank-- {
		blockings[rank] = blocking
		if m := &s.Messages[order[rank]]; len(m.Releases) > 0 {
			blocking = max(blocking, m.Longest)
		}
	}
	for rank, index := range order {
		m := &s.Messages[index]
		a.longest = max(a.longest, m.Longest)
		bounds[index] = a.message(m, blockings[rank])
		a.urgent = append(a.urgent, m)
	}
	return bounds
}

func (s *Set) check() {
	if s.BitRate <= 0 || s.Blocking < 0 || s.Errors.Burst < 0 || s.Errors.Every < 0 {
		panic("response: a Set with a bit rate of 0 or a negative value")
	}
	for i := range s.Messages {
		m := &s.Messages[i]
		if m.Longest <= 0 || m.Longest > longestBusy || m.Deadline < 0 {
			panic("response: a Message with an impossible length or deadline")
		}
		for _, r := range m.Releases {
			if r.Distance <= 0 || r.Jitter < 0 {
				panic("response: Releases without a distance or with a negative jitter")
			}
		}
	}
}

func (m *Message) priority() uint32 { return m.ID.Priority(m.Remote) }

// deadline is what Deadline stands for.
func (m *Message) deadline() time.Duration {
	d := m.Deadline
	if d == 0 && len(m.Releases) > 0 {
		d = slices.MinFunc(m.Releases, func(a, b Releases) int { return cmp.Compare(a.Distance, b.Distance) }).Distance
	}
	return d
}

// perBit is the time of one bit, rounded up.
func perBit(rate int) time.Duration {
	return time.Duration((int64(time.Second) + int64(rate) - 1) / int64(rate))
}

// analysis walks through the messages from the most urgent down.
type analysis struct {
	set       *Set
	bit       time.Duration
	tail      time.Duration // from the reception to the end of the intermission, rounded down
	instances int
	urgent    []*Message    // of higher priority than the one looked at
	longest   time.Duration // frame of them and of the one looked at
	steps     int
}

// within returns the most releases in a stretch of time: ceil((t+J)/T) a stream.
func (m *Message) within(t time.Duration) int64 {
	n := int64(0)
	for _, r := range m.Releases {
		n += int64((t + r.Jitter + r.Distance - 1) / r.Distance)
	}
	return n
}

// interference returns the time that more urgent messages take in a stretch.
func (a *analysis) interference(t time.Duration) (sum time.Duration) {
	for _, m := range a.urgent {
		sum += time.Duration(m.within(t)) * m.Longest
		if sum > longestBusy {
			return sum
		}
	}
	return sum
}

// errorBits is what an error costs on top of the frame that is sent again: error
// flags of 12 bits at most, delimiter, intermission, suspended transmission.
const errorBits = bus.ErrorFrameLongest + bus.Intermission + bus.SuspendTransmission

// errors returns what errors take in a stretch of time.
func (a *analysis) errors(t time.Duration) time.Duration {
	e := a.set.Errors
	n := int64(e.Burst)
	if e.Every > 0 && t > 0 {
		n += int64((t+e.Every-1)/e.Every) - min(1, n)
	}
	return time.Duration(n) * (errorBits*a.bit + a.longest)
}

// settle looks for the least t at or above start with t = next(t). It gives up
// where there is none.
func (a *analysis) settle(start time.Duration, next func(time.Duration) time.Duration) (time.Duration, bool) {
	for t := start; ; {
		u := next(t)
		if u <= t {
			return t, true
		}
		if a.steps++; u > longestBusy || a.steps > mostSteps {
			return 0, false
		}
		t = u
	}
}

// message answers for one message.
func (a *analysis) message(m *Message, blocking time.Duration) Bound {
	b := Bound{Blocking: blocking, Deadline: m.deadline()}
	if len(m.Releases) == 0 {
		b.Bounded = true
		return b
	}
	a.steps = 0
	busy, ok := a.settle(m.Longest, func(t time.Duration) time.Duration {
		own := time.Duration(min(m.within(t), int64(longestBusy/m.Longest)+1)) * m.Longest
		return blocking + a.errors(t) + a.interference(t) + own
	})
	if !ok {
		return b
	}
	b.Busy, b.Instances = busy, int(m.within(busy))
	ticks := newTicks(m.Releases)
	wait := time.Duration(0)
	for q := range b.Instances {
		if a.instances > 0 && q == a.instances {
			break
		}
		own := blocking + time.Duration(q)*m.Longest
		wait, ok = a.settle(max(wait, own), func(w time.Duration) time.Duration {
			return own + a.errors(w+m.Longest) + a.interference(w+a.bit)
		})
		if !ok {
			return Bound{Blocking: blocking, Deadline: b.Deadline}
		}
		end, tick := wait+m.Longest, ticks.next()
		if r := end - tick; q == 0 || r > b.Response {
			b.Response, b.Worst = r, q
		}
		// A release is at or after its tick, and not before the busy period.
		b.Latency = max(b.Latency, end-max(0, tick)-a.tail)
	}
	b.Bounded = true
	return b
}

// ticks hands out the ticks of the releases of a message in a busy period at
// their earliest: of one stream -J, T-J, 2T-J, and of several the merged ones.
type ticks struct {
	streams []Releases
	at      []time.Duration
}

func newTicks(streams []Releases) *ticks {
	t := &ticks{streams: streams, at: make([]time.Duration, len(streams))}
	for i, s := range streams {
		t.at[i] = -s.Jitter
	}
	return t
}

func (t *ticks) next() time.Duration {
	first := 0
	for i := range t.at {
		if t.at[i] < t.at[first] {
			first = i
		}
	}
	at := t.at[first]
	t.at[first] += t.streams[first].Distance
	return at
}

package traffic

import (
	"cmp"
	"errors"
	"math/rand/v2"
	"slices"
	"strconv"
	"time"

	"stalegauge/bus"
)

// Config describes the traffic of one bus. The slices stay the caller's and must
// not change while the set is in use.
type Config struct {
	Messages    []Message
	BitRate     int // bit/s
	DataBitRate int // bit/s in the data phase of frames with bus.BitRateFast; 0 = BitRate

	// Stream hands out the random stream of a purpose, always from its start.
	// Streams of a message carry its identifier in their purpose and do not
	// depend on which other messages there are.
	Stream func(purpose string, index int) *rand.Rand

	// OnRelease is told every release of the messages marked in Watch, of each
	// message in order of time: before Next returns a frame received at some
	// instant, every release up to that instant has been told, also those that
	// are later replaced. page is the value of the selector, -1 where there is
	// none. It must not call the set.
	OnRelease func(message, page int, at time.Duration)
	Watch     []bool // by message; nil = none

	Timeline []Episode // in order of time; nil = awake all the time

	BitErrorRate float64 // chance that a bit of a frame is destroyed, 0 to MaxBitErrorRate
	ErrorFrames  bool    // Next also hands out error frames, when they end, as frames of kind bus.Error
}

// Set is the traffic of a message set. It is a [bus.Source].
type Set struct {
	config   Config
	messages []message // by rank: in the order in which arbitration lets them through
	order    order
	pending  ranks
	idle     time.Duration // the bus is free from here on
	errors   bitErrors
	times    []time.Duration // of bits at the nominal bit rate

	frames uint64
	busy   time.Duration
}

// message is a message at work.
type message struct {
	ahead    releases // stands at the next release
	behind   releases // stands at the second of the waiting instances, if there are two
	waiting  int64    // instances released and not yet sent
	head     time.Duration
	number   int64 // of the instance at the head
	released int64 // instances so far: the number of the next

	overwrite bool
	watched   bool
	index     int // in Config.Messages
	id        bus.ID
	kind      bus.Kind
	flags     bus.Flags
	length    uint8
	shape     bus.Shape
	payload   payload

	sent        uint64
	overwritten uint64
	struck      uint64
	most        int64
}

// New returns the traffic of a message set, or all its mistakes as one error of
// several lines. It panics when Stream is missing, or OnRelease although
// messages are watched.
func New(config Config) (*Set, error) {
	if config.Stream == nil {
		panic("traffic: New: Config.Stream is nil")
	}
	if config.OnRelease == nil && slices.Contains(config.Watch, true) {
		panic("traffic: New: Config.Watch without Config.OnRelease")
	}
	if len(config.Watch) > len(config.Messages) {
		panic("traffic: New: Config.Watch is longer than Config.Messages")
	}
	if err := errors.Join(config.mistakes()...); err != nil {
		return nil, err
	}
	if config.DataBitRate == 0 {
		config.DataBitRate = config.BitRate
	}
	s := &Set{
		config:   config,
		messages: make([]message, len(config.Messages)),
		pending:  newRanks(len(config.Messages)),
		errors:   newBitErrors(&config),
		times:    make([]time.Duration, 256),
	}
	for n := range s.times {
		s.times[n] = bus.Bits{Nominal: n}.Duration(config.BitRate, config.DataBitRate)
	}
	for i := range config.Messages {
		s.messages[i] = s.newMessage(i)
	}
	slices.SortFunc(s.messages, func(a, b message) int {
		return cmp.Compare(a.id.Priority(a.kind == bus.Remote), b.id.Priority(b.kind == bus.Remote))
	})
	first := make([]time.Duration, len(s.messages))
	for i := range s.messages {
		first[i] = s.messages[i].ahead.at
	}
	s.order = newOrder(first)
	return s, nil
}

func (s *Set) newMessage(index int) message {
	m := &s.config.Messages[index]
	w := message{
		index: index, id: m.ID, flags: m.Flags, length: uint8(m.Length), overwrite: m.Overwrite,
		watched: index < len(s.config.Watch) && s.config.Watch[index],
	}
	if m.Remote {
		w.kind = bus.Remote
	}
	w.shape = bus.NewShape(m.ID, w.kind, m.Flags, m.Length)
	w.payload = newPayload(m, &w.shape, func(field int) Curve { return s.newCurve(index, field) })
	w.ahead = s.newReleases(index)
	if w.ahead.events != nil {
		twin := s.newReleases(index)
		w.behind.events = twin.events
	}
	w.ahead.enter()
	return w
}

// key returns the start of a random stream of a message.
func (s *Set) key(purpose string, message, index int) uint64 {
	m := &s.config.Messages[message]
	purpose = "bus " + purpose + " " + m.ID.String()
	if m.Remote {
		purpose += " remote"
	}
	return s.config.Stream(purpose, index).Uint64()
}

func (s *Set) newCurve(message, field int) Curve {
	return newCurve(s.config.Messages[message].Fields[field], s.key("value", message, field))
}

// Curve returns the law of a field from its start: what the message carries of
// it, before rounding to its bits, is the curve at the instant and number of
// each release. It panics when there is no such field.
func (s *Set) Curve(message, field int) *Curve {
	if message < 0 || message >= len(s.config.Messages) || field < 0 || field >= len(s.config.Messages[message].Fields) {
		panic("traffic: Set.Curve: no field " + strconv.Itoa(field) + " of a message " + strconv.Itoa(message))
	}
	c := s.newCurve(message, field)
	return &c
}

// newReleases returns the release law of a message, before its first span.
func (s *Set) newReleases(index int) releases {
	m := &s.config.Messages[index]
	slow := 1 + m.Drift*1e-6
	r := releases{
		phase:  m.Phase,
		offset: time.Duration(float64(m.Offset) * slow),
		spans:  spansOf(index, s.config.Timeline, s.backToBack(m)),
	}
	r.own = cyclic{
		clock:  newClock(float64(m.Period) * slow),
		jitter: uint64(m.Jitter) + 1,
		dice:   dice(s.key("release", index, 0)),
	}
	if e := m.Events; e != nil {
		var watched []Curve
		for _, field := range e.OnChange {
			watched = append(watched, s.newCurve(index, field))
		}
		heartbeat := time.Duration(float64(e.Heartbeat) * slow)
		r.events = newEvents(e, heartbeat, s.key("event", index, 0), s.key("heartbeat", index, 0), watched)
	}
	return r
}

// backToBack returns how many frames of a message a second fill the bus at
// least: those of the fewest bits at the higher of the two rates.
func (s *Set) backToBack(m *Message) float64 {
	kind := bus.Data
	if m.Remote {
		kind = bus.Remote
	}
	shortest := bus.MinBits(m.ID.IsExtended(), kind, m.Flags, m.Length).WithIntermission()
	return 1 / shortest.Duration(s.config.BitRate, s.config.DataBitRate).Seconds()
}

// Next writes the next frame into f and returns true. It returns false only when
// nothing will ever be released again: when the timeline ends asleep, or after
// 146 years.
func (s *Set) Next(f *bus.Frame) bool {
	for {
		start := s.idle
		if s.pending.count == 0 {
			_, at := s.order.first()
			if at == never {
				return false
			}
			start = max(start, at)
		}
		s.releaseUntil(start)
		rank := s.pending.first()
		m := &s.messages[rank]
		f.Released = m.head
		m.payload.write(f, m.number)
		length := m.payload.wire(&m.shape, f.Data[:m.payload.length], m.number)
		if s.errors.strikes(length) {
			m.struck++
			if s.destroy(f, start, length) {
				return true
			}
			continue
		}
		f.At = start + s.duration(length.Reception())
		f.ID, f.Kind, f.Flags, f.Length = m.id, m.kind, m.flags, m.length
		f.Message = int32(m.index)
		f.AfterGap = false
		taken := s.duration(length.WithIntermission())
		s.idle = start + taken
		s.busy += taken
		s.frames++
		s.sent(rank)
		s.releaseUntil(f.At)
		return true
	}
}

// duration returns the time of bits on the wire.
func (s *Set) duration(b bus.Bits) time.Duration {
	if b.Data == 0 && b.Nominal < len(s.times) {
		return s.times[b.Nominal]
	}
	return b.Duration(s.config.BitRate, s.config.DataBitRate)
}

// releaseUntil puts every instance released at or before an instant into its
// queue.
func (s *Set) releaseUntil(until time.Duration) {
	for {
		rank, at := s.order.first()
		if at > until || at == never {
			return
		}
		m := &s.messages[rank]
		s.release(rank, m, at)
		m.ahead.advance()
		s.order.replace(rank, m.ahead.at)
	}
}

func (s *Set) release(rank int, m *message, at time.Duration) {
	number := m.released
	m.released++
	if m.watched {
		s.config.OnRelease(m.index, m.payload.page(number), at)
	}
	switch {
	case m.waiting == 0:
		m.head, m.number, m.waiting = at, number, 1
		s.pending.add(rank)
	case m.overwrite || m.ahead.storm:
		m.overwritten += uint64(m.waiting)
		m.head, m.number, m.waiting = at, number, 1
	default:
		if m.waiting == 1 {
			m.behind.copyFrom(&m.ahead)
		}
		m.waiting++
	}
	m.most = max(m.most, m.waiting)
}

// sent takes the instance at the head out of its queue.
func (s *Set) sent(rank int) {
	m := &s.messages[rank]
	m.sent++
	m.waiting--
	if m.waiting == 0 {
		s.pending.remove(rank)
		return
	}
	m.head = m.behind.at
	m.number++
	if m.waiting > 1 {
		m.behind.advance()
	}
}

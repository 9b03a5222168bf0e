package survey

import (
	"time"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

// stream is what is kept of one identifier.
type stream struct {
	id     bus.ID
	layout int // index into Layouts.All, -1 = none
	rhythm
	remotes          uint64
	data             uint64
	fd               uint64
	fast             uint64
	shortest, length int   // of data frames
	asked            int   // bytes that remote frames ask for, newest
	bits             int64 // on the wire, intermissions included
	shape            bus.Shape
	shaped           shapeKey
	content          content
	values           []value // by signal of the layout
	pages            map[int]*page
	order            []int // pages of the first data frames
	unpaged          uint64
	before           before
	peak             burst
}

type shapeKey struct {
	kind   bus.Kind
	flags  bus.Flags
	length uint8
	known  bool
}

// page is what is kept of one page of an identifier.
type page struct {
	rhythm
}

// rhythm is when something is received.
type rhythm struct {
	frames      uint64
	first, last time.Duration
	silent      time.Duration // intervals with a gap in them
	periods     histogram     // ns
	silence     time.Duration // longest interval
	silenceAt   time.Duration // its begin
}

func (r *rhythm) see(at, gapAt time.Duration) {
	r.frames++
	if r.frames == 1 {
		r.first, r.last = at, at
		return
	}
	period := at - r.last
	if r.last < gapAt { // a gap lies between
		r.silent += period
	} else {
		r.periods.add(int64(period))
		if period > r.silence {
			r.silence, r.silenceAt = period, r.last
		}
	}
	r.last = at
}

// before is the identifier that frames of one follow most often, found as
// Boyer and Moore's majority vote finds it, and how closely.
type before struct {
	id    bus.ID
	votes int64
	since uint64 // frames since id was taken
	pairs uint64 // of them that followed it
	apart time.Duration
	bits  int64
}

func (b *before) see(id bus.ID, apart time.Duration, bits int) {
	if b.votes == 0 {
		*b = before{id: id}
	}
	b.since++
	if id != b.id {
		b.votes--
		return
	}
	b.votes++
	b.pairs++
	b.apart += apart
	b.bits += int64(bits)
}

// burst finds the stretch of 100 ms in which an identifier takes most of the bus.
type burst struct {
	number     int64
	bits, most int64
	frames     uint64
	mostFrames uint64
	at         time.Duration
	busy       uint64    // stretches in which there was a frame
	loads      histogram // bits in those that are over
}

const burstLength = 100 * time.Millisecond

func (b *burst) see(at time.Duration, bits int64) {
	if number := int64(at / burstLength); number != b.number || b.busy == 0 {
		if b.busy > 0 {
			b.loads.add(b.bits)
		}
		b.number, b.bits, b.frames = number, 0, 0
		b.busy++
	}
	b.bits += bits
	b.frames++
	if b.bits > b.most {
		b.most, b.mostFrames, b.at = b.bits, b.frames, time.Duration(b.number)*burstLength
	}
}

// length returns the bits of a frame on the wire.
func (s *stream) wire(f *bus.Frame) bus.Bits {
	key := shapeKey{f.Kind, f.Flags &^ bus.ErrorPassive, f.Length, true}
	if key != s.shaped {
		s.shaped, s.shape = key, bus.NewShape(f.ID, f.Kind, key.flags, int(f.Length))
	}
	return s.shape.Bits(f.Payload())
}

// carry takes in the data of a frame.
func (s *stream) carry(f *bus.Frame, bits int) {
	n := int(f.Length)
	if s.data == 0 || n < s.shortest {
		s.shortest = n
	}
	s.length = max(s.length, n)
	s.data++
	if f.Flags&bus.FD != 0 {
		s.fd++
	}
	if f.Flags&bus.BitRateFast != 0 {
		s.fast++
	}
	s.content.see(f.Payload(), bits, float64(s.bits)/float64(s.frames))
}

// firstPages is how many frames the order of the pages is told from.
const firstPages = 64

// decode takes in the signals and the page of a data frame.
func (s *stream) decode(l *Layout, f *bus.Frame, u *Surveyor, fresh bool) {
	if l.paged() {
		s.turn(l, f, u)
	}
	u.decoded = l.decode(u.decoded[:0], f.Payload())
	for i := range u.decoded {
		d := &u.decoded[i]
		s.values[d.Signal].see(d, f.At, fresh)
	}
}

// turn notes the page of a frame.
func (s *stream) turn(l *Layout, f *bus.Frame, u *Surveyor) {
	number, ok := l.page(f.Payload())
	if !ok {
		s.unpaged++
		return
	}
	if len(s.order) < firstPages {
		s.order = append(s.order, number)
	}
	p := s.pages[number]
	if p == nil {
		if u.pages == mostPages {
			s.unpaged++
			return
		}
		u.pages++
		p = &page{}
		if s.pages == nil {
			s.pages = map[int]*page{}
		}
		s.pages[number] = p
	}
	p.see(f.At, u.gapAt)
}

// newStream makes the state of an identifier.
func (u *Surveyor) newStream(id bus.ID) *stream {
	s := &stream{id: id, layout: u.o.Layouts.find(id)}
	if s.layout >= 0 {
		l := &u.o.Layouts.All[s.layout]
		s.values = make([]value, len(l.Signals))
		u.decoded = make([]signal.Decoded, 0, max(cap(u.decoded), len(l.Signals)))
	}
	return s
}

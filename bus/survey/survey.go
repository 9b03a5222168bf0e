package survey

import (
	"time"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

// Bounds on what is told apart, so that a capture of random identifiers does not
// fill the memory. What lies beyond is counted.
const (
	mostIDs   = 1 << 16
	mostPages = 1 << 16
)

// Options says what is known of the bus.
type Options struct {
	BitRate     int // bit/s; 0 = to be guessed
	DataBitRate int // bit/s of the data phase, only with BitRate; 0 = the same
	Layouts     Layouts
}

// Surveyor takes stock of the frames of one bus.
type Surveyor struct {
	o       Options
	weight  float64 // of a bit in the data phase against one outside
	table   bus.Table
	streams []*stream
	pages   int
	decoded []signal.Decoded

	frames, errors, remotes, others uint64
	fast                            uint64
	bits                            int64
	first, last                     time.Duration
	begun                           bool
	previous                        bus.ID // of the frame before
	fresh                           bool   // there is no frame before: begin, gap or error frame
	gaps                            uint64
	gapAt                           time.Duration // first frame after the newest gap
	silence                         time.Duration // longest, gaps excluded
	silenceAt                       time.Duration
	windows                         [len(Windows)]window
	spacing                         spacing
}

// New returns a surveyor that has seen nothing. It panics for a data bit rate
// without a bit rate.
func New(o Options) *Surveyor {
	if o.BitRate < 0 || o.DataBitRate < 0 || o.DataBitRate > 0 && o.BitRate == 0 {
		panic("survey: New: a negative value, or a data bit rate without a bit rate")
	}
	u := &Surveyor{o: o, weight: 1, fresh: true}
	if o.DataBitRate > 0 {
		u.weight = float64(o.BitRate) / float64(o.DataBitRate)
	}
	for i, length := range Windows {
		u.windows[i].length = length
	}
	return u
}

// Add takes in the next frame in order of time.
func (u *Surveyor) Add(f *bus.Frame) {
	if !u.begun {
		u.begun, u.first, u.last = true, f.At, f.At
	}
	if f.AfterGap {
		u.gaps++
		u.gapAt = f.At
		u.fresh = true
	} else if quiet := f.At - u.last; quiet > u.silence {
		u.silence, u.silenceAt = quiet, u.last
	}
	if f.Kind == bus.Error {
		u.errors++
		u.fresh, u.last = true, f.At
		return
	}
	u.frames++
	s := u.stream(f.ID)
	if s == nil {
		u.others++
		shape := bus.NewShape(f.ID, f.Kind, f.Flags&^bus.ErrorPassive, int(f.Length))
		u.count(shape.Bits(f.Payload()).WithIntermission(), f.At)
		u.fresh, u.last = true, f.At
		return
	}
	u.take(s, f)
	u.previous, u.fresh, u.last = f.ID, false, f.At
}

// stream returns what is kept of an identifier, nil when there are too many.
func (u *Surveyor) stream(id bus.ID) *stream {
	if i, ok := u.table.Lookup(id); ok {
		return u.streams[i]
	}
	if len(u.streams) == mostIDs {
		return nil
	}
	u.table.Add(id)
	s := u.newStream(id)
	u.streams = append(u.streams, s)
	return s
}

// count takes in the length of a frame on the wire and returns it in bits of the
// nominal rate.
func (u *Surveyor) count(wire bus.Bits, at time.Duration) int {
	bits := wire.Nominal
	if wire.Data > 0 {
		u.fast++
		bits += int(float64(wire.Data)*u.weight + 0.5)
	}
	for i := range u.windows {
		u.windows[i].add(at, int64(bits))
	}
	u.bits += int64(bits)
	return bits
}

// take counts a frame of an identifier.
func (u *Surveyor) take(s *stream, f *bus.Frame) {
	wire := s.wire(f).WithIntermission()
	bits := u.count(wire, f.At)
	if !u.fresh {
		apart := f.At - u.last
		if wire.Data == 0 {
			u.spacing.add(bits, apart, f.At)
		}
		s.before.see(u.previous, apart, bits)
	}
	s.bits += int64(bits)
	late := s.frames > 0 && s.last < u.gapAt
	s.see(f.At, u.gapAt)
	s.peak.see(f.At, int64(bits))
	if f.Kind == bus.Remote {
		s.remotes++
		s.asked = int(f.Length)
		u.remotes++
		return
	}
	s.carry(f, bits)
	if s.layout >= 0 {
		s.decode(&u.o.Layouts.All[s.layout], f, u, late)
	}
}

// Take surveys all frames of a source up to an instant; 0 = all there are.
func Take(source bus.Source, until time.Duration, o Options) *Surveyor {
	u := New(o)
	var f bus.Frame // one for all: a variable of the loop would be a new one each time
	for source.Next(&f) && (until == 0 || f.At < until) {
		u.Add(&f)
	}
	return u
}

package capture

import (
	"fmt"
	"time"

	"stalegauge/bus"
)

// ReplayOptions says which part of a capture is replayed.
type ReplayOptions struct {
	// Offset is where in the capture the replay begins: its time 0. Under Loop
	// it is taken modulo the length of a round.
	Offset time.Duration
	Loop   bool          // begin again at the end
	Until  time.Duration // only frames before this time of the replay; 0 = no bound
	// Summary of the whole capture saves the first pass that Loop needs. It is
	// only read: several replays may share it.
	Summary *Summary
}

// Replay hands out a capture from an offset on, and over again when looped. It
// is a [bus.Source].
//
// # The loop
//
// A round has one length L for all identifiers, so that the order and the
// distances of frames inside a round are those of the capture. Let an identifier
// have its first frame at a, its last at b and the mean period p = (b-a)/(n-1).
// It is steady when it has at least 20 frames and neither a nor the distance
// from b to the end of the capture is above 1.5 p. L is the largest whole number
// of mean periods of the slowest steady identifier that is not above b-a+1.5 p of
// any steady one. Without a steady identifier L is the span of the capture and
// one mean distance of its frames.
//
// Round k shows the frame that the capture has at t at t + kL. Every identifier
// changes from round to round at its own phase: round k shows of it the frames
// before a + L - p/2 when it is steady, before a + L otherwise, and the next
// round begins for it at a + L. So the distance of its frames across the join is
// between p/2 and 3p/2 (and exactly p where p divides L and the frames are
// strictly periodic), and its mean period over all rounds is L over a whole
// number next to L/p. Where both rounds have a frame at one instant, the earlier
// round comes first. A loop ends before its time overflows, after 126 years.
type Replay struct {
	open     func() (*Reader, error)
	o        ReplayOptions
	round    time.Duration // 0 = no loop
	ends     []time.Duration
	index    idIndex
	rounds   int64
	old, now stream // the round that ends and the one under way
	err      error
}

// stream is one round.
type stream struct {
	r     *Reader
	frame bus.Frame // the next frame, its times in the capture
	base  time.Duration
	more  bool
}

// NewReplay prepares a replay. Open must give the same capture each time;
// [File.Open] does. An offset behind the end is an error unless Loop is set.
func NewReplay(open func() (*Reader, error), o ReplayOptions) (*Replay, error) {
	if o.Offset < 0 || o.Until < 0 {
		panic("capture: negative time in ReplayOptions")
	}
	p := &Replay{open: open, o: o}
	if o.Loop {
		if err := p.measure(); err != nil {
			return nil, err
		}
		p.o.Offset %= p.round
	}
	p.start(&p.now, -p.o.Offset)
	for p.now.more && p.now.frame.At < p.o.Offset {
		p.advance(&p.now)
	}
	if p.err == nil && !p.now.more && !o.Loop {
		p.err = fmt.Errorf("%s ends after %v: the offset %v lies behind it",
			p.now.r.Report().Name, p.now.r.Report().Span, o.Offset)
	}
	if p.err != nil {
		p.Close()
		return nil, p.err
	}
	return p, nil
}

// measure works out the loop from a pass over the capture.
func (p *Replay) measure() error {
	s := p.o.Summary
	if s == nil {
		r, err := p.open()
		if err != nil {
			return err
		}
		whole, err := Summarize(r)
		if err2 := r.Close(); err == nil {
			err = err2
		}
		if err != nil {
			return err
		}
		s = &whole
	}
	var err error
	if p.round, err = s.Round(); err != nil {
		return err
	}
	for i := range s.IDs {
		id := &s.IDs[i]
		end := id.First + p.round
		if s.steady(id) {
			end -= id.Period() / 2
		}
		p.index.set(id.ID, i)
		p.ends = append(p.ends, end)
	}
	return nil
}

// start opens a round.
func (p *Replay) start(s *stream, base time.Duration) {
	r, err := p.open()
	if err != nil {
		p.fail(s, err)
		return
	}
	s.r, s.base = r, base
	p.advance(s)
}

// advance moves a round to its next frame.
func (p *Replay) advance(s *stream) {
	for s.r.Next(&s.frame) {
		if p.round == 0 || s.frame.At < p.end(&s.frame) {
			s.more = true
			return
		}
	}
	s.more = false
	if err := s.r.Err(); err != nil {
		p.fail(s, err)
	}
}

// end returns the time in the capture from which on a round does not show
// frames like f.
func (p *Replay) end(f *bus.Frame) time.Duration {
	if f.Kind != bus.Error {
		if i := p.index.of(f.ID); i >= 0 {
			return p.ends[i]
		}
	}
	return p.round
}

func (p *Replay) fail(s *stream, err error) {
	s.more = false
	if p.err == nil {
		p.err = err
	}
}

// Next writes the next frame into f. At and Released are times of the replay,
// Message is -1. Frames of kind Error are handed out too: they are no messages.
func (p *Replay) Next(f *bus.Frame) bool {
	if p.joins() {
		p.old, p.now = p.now, stream{}
		p.start(&p.now, p.old.base+p.round)
		p.rounds++
	}
	s := &p.now
	if p.old.more && (!p.now.more || p.old.base+p.old.frame.At <= p.now.base+p.now.frame.At) {
		s = &p.old
	}
	if !s.more || p.err != nil {
		return false
	}
	*f = s.frame
	f.At += s.base
	f.Released = f.At
	if p.o.Until > 0 && f.At >= p.o.Until {
		return false
	}
	p.advance(s)
	if p.old.r != nil && !p.old.more {
		p.closeRound(&p.old)
	}
	return true
}

// joins reports whether the next round begins now.
func (p *Replay) joins() bool {
	return p.round > 0 && p.old.r == nil && p.err == nil &&
		(!p.now.more || p.now.frame.At >= p.round) &&
		p.now.base <= maxStamp-p.round &&
		(p.o.Until == 0 || p.now.base+p.round < p.o.Until)
}

// Rounds returns how often the capture has begun again.
func (p *Replay) Rounds() int64 { return p.rounds }

// Err returns the error that ended the replay early.
func (p *Replay) Err() error { return p.err }

// Close closes the readers in use.
func (p *Replay) Close() error {
	p.closeRound(&p.old)
	p.closeRound(&p.now)
	return p.err
}

func (p *Replay) closeRound(s *stream) {
	if s.r == nil {
		return
	}
	if err := s.r.Close(); err != nil {
		p.fail(s, err)
	}
	s.r, s.more = nil, false
}

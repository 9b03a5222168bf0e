package bus

// Frames is a [Source] that hands out the frames of a slice, which it does not
// change. It hands them out in the order of the slice.
type Frames struct {
	frames []Frame
	next   int
}

// NewFrames returns a source of these frames. The slice stays the caller's and
// must not change while the source is in use.
func NewFrames(frames ...Frame) *Frames { return &Frames{frames: frames} }

// Next implements [Source].
func (s *Frames) Next(f *Frame) bool {
	if s.next >= len(s.frames) {
		return false
	}
	*f = s.frames[s.next]
	s.next++
	return true
}

// Rewind begins again at the first frame.
func (s *Frames) Rewind() { s.next = 0 }

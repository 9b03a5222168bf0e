package signal

import (
	"cmp"
	"slices"
)

// Decoder decodes all signals of a message at once. It is compiled for the hot
// path and does not allocate; several goroutines may use it.
type Decoder struct {
	root branch
}

// Decoded is one signal that data carry.
type Decoded struct {
	Signal  int // index into [Message.Signals]
	Raw     uint64
	Value   float64
	Outside bool // see [MessageSignal.Outside]
}

// branch is what is present together.
type branch struct {
	steps    []step
	switches []selection
}

type step struct {
	codec     Codec
	low, high float64
	signal    int
}

// selection chooses branches by the value of a selector.
type selection struct {
	codec    Codec
	branches []branch
	ranges   []choice // by their lower ends
	apart    bool     // no two ranges overlap
}

type choice struct {
	ValueRange
	branch int
}

// NewDecoder compiles the decoder of a message.
func NewDecoder(m *Message) *Decoder {
	children := make(map[int][]int)
	for i := range m.Signals {
		if s := &m.Signals[i]; !s.Absent {
			children[s.Parent] = append(children[s.Parent], i)
		}
	}
	d := &Decoder{}
	compileBranch(m, children, children[NoParent], &d.root)
	return d
}

// compileBranch compiles the signals of a branch, and the branches of those of
// them that are selectors.
func compileBranch(m *Message, children map[int][]int, signals []int, b *branch) {
	for _, i := range signals {
		s := &m.Signals[i]
		low, high := s.limits()
		codec := Compile(&s.Definition)
		b.steps = append(b.steps, step{codec, low, high, i})
		if len(children[i]) > 0 {
			b.switches = append(b.switches, selection{codec: codec})
			compileSelection(m, children, children[i], &b.switches[len(b.switches)-1])
		}
	}
}

// compileSelection makes one branch of the signals that have the same values.
func compileSelection(m *Message, children map[int][]int, signals []int, c *selection) {
	signals = slices.Clone(signals)
	slices.SortStableFunc(signals, func(i, j int) int {
		return slices.CompareFunc(m.Signals[i].Values, m.Signals[j].Values, ValueRange.compare)
	})
	for len(signals) > 0 {
		values := m.Signals[signals[0]].Values
		n := 1
		for n < len(signals) && slices.Equal(m.Signals[signals[n]].Values, values) {
			n++
		}
		c.branches = append(c.branches, branch{})
		for _, v := range values {
			c.ranges = append(c.ranges, choice{v, len(c.branches) - 1})
		}
		compileBranch(m, children, signals[:n], &c.branches[len(c.branches)-1])
		signals = signals[n:]
	}
	slices.SortStableFunc(c.ranges, func(a, b choice) int { return a.ValueRange.compare(b.ValueRange) })
	c.apart = true
	for i := 1; i < len(c.ranges); i++ {
		c.apart = c.apart && c.ranges[i-1].High < c.ranges[i].Low
	}
}

func (v ValueRange) compare(other ValueRange) int {
	return cmp.Or(cmp.Compare(v.Low, other.Low), cmp.Compare(v.High, other.High))
}

// Append decodes the signals that are present in the data and appends them to dst:
// first those on no branch in the order of the message, then branch by branch. It
// does not allocate where dst has room for all signals of the message.
func (d *Decoder) Append(dst []Decoded, data []byte) []Decoded {
	return d.root.append(dst, data)
}

func (b *branch) append(dst []Decoded, data []byte) []Decoded {
	for i := range b.steps {
		s := &b.steps[i]
		raw, ok := s.codec.Raw(data)
		if !ok {
			continue
		}
		value := s.codec.Value(raw)
		dst = append(dst, Decoded{s.signal, raw, value, !(value >= s.low && value <= s.high)})
	}
	for i := range b.switches {
		dst = b.switches[i].append(dst, data)
	}
	return dst
}

func (c *selection) append(dst []Decoded, data []byte) []Decoded {
	raw, ok := c.codec.Raw(data)
	if !ok {
		return dst
	}
	if !c.apart {
		for i := range c.ranges {
			r := &c.ranges[i]
			if r.Low > raw {
				break
			}
			if raw <= r.High {
				dst = c.branches[r.branch].append(dst, data)
			}
		}
		return dst
	}
	low, high := 0, len(c.ranges) // the first range that ends at raw or above
	for low < high {
		middle := int(uint(low+high) >> 1)
		if c.ranges[middle].High < raw {
			low = middle + 1
		} else {
			high = middle
		}
	}
	if low < len(c.ranges) && c.ranges[low].Low <= raw {
		dst = c.branches[c.ranges[low].branch].append(dst, data)
	}
	return dst
}

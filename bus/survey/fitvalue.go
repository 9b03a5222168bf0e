package survey

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

// fields fits what a message carries: its signals, or runs of changing bytes where
// none are known, and constants for what is left.
func (d *ID) fields(m *traffic.Message) (notes []string) {
	if d.fitPages(m) {
		notes = append(notes, fmt.Sprintf("%s: pages that come more than %d times as often as the rarest are fitted as if %d times", d.ID, mostTurns, mostTurns))
	}
	if d.layout == nil {
		for _, r := range d.Runs() {
			m.Fields = d.place(m, traffic.Field{Signal: r, Value: d.unknownLaw(&r)})
		}
	}
	for i := range d.Signals {
		g := &d.Signals[i]
		if g.Frames == 0 || !g.fits || g.IsSelector || m.Selector == nil && g.Page != signal.AnyPage ||
			g.Page != signal.AnyPage && !slices.Contains(m.Pages, g.Page) {
			continue
		}
		m.Fields = d.place(m, traffic.Field{Signal: g.Definition, Value: d.law(g)})
	}
	d.fill(m)
	return notes
}

// place returns the fields of a message with one more, if it has room there.
func (d *ID) place(m *traffic.Message, f traffic.Field) []traffic.Field {
	definitions := []signal.Definition{f.Signal}
	for i := range m.Fields {
		definitions = append(definitions, m.Fields[i].Signal)
	}
	if f.Signal.Check() != nil || signal.CheckLayout(m.Length, definitions, m.Selector) != nil || !carries(&f) {
		return m.Fields
	}
	return append(m.Fields, f)
}

// What is below smallest is taken for 0, and what is above largest is not
// fitted: no measured quantity is.
const smallest, largest = 1e-90, 1e90

// carries reports whether the bits of a field can hold the values of its law.
func carries(f *traffic.Field) bool {
	if tiny := math.Abs(f.Signal.Scale); tiny < smallest || tiny > largest || math.Abs(f.Signal.Offset) > largest {
		return false
	}
	for _, x := range []float64{f.Value.Low, f.Value.High} {
		if _, clipped := f.Signal.ToRaw(x); clipped && f.Value.Kind != traffic.Counter && f.Value.Kind != traffic.Checksum {
			return false
		}
		if !(math.Abs(x) <= largest) {
			return false
		}
	}
	return true
}

// mostTurns is how often a page may come against the rarest.
const mostTurns = 64

// fitPages fits the order of the pages: the shortest sequence that the first
// frames repeat, else each page as often as it was met against the rarest. It
// reports whether a page came too often for that.
func (d *ID) fitPages(m *traffic.Message) (cut bool) {
	if d.layout == nil || d.layout.Selector == nil || len(d.Pages) == 0 || signal.CheckLayout(m.Length, nil, d.layout.Selector) != nil {
		return false
	}
	most := 1 << d.layout.Selector.Bits
	if slices.ContainsFunc(d.Pages, func(p Page) bool { return p.Number >= most }) {
		return false // pages of several selectors
	}
	m.Selector = d.layout.Selector
	for length := 1; 2*length <= len(d.order); length++ {
		if repeats(d.order, length) {
			m.Pages = slices.Clone(d.order[:length])
			break
		}
	}
	if distinct(m.Pages) == len(d.Pages) {
		return false
	}
	m.Pages = nil
	least := d.Pages[0].Frames
	for i := range d.Pages {
		least = min(least, d.Pages[i].Frames)
	}
	for turn := uint64(0); turn < mostTurns; turn++ { // spread each page over the sequence
		for i := range d.Pages {
			turns := (d.Pages[i].Frames + least/2) / least
			cut = cut || turns > mostTurns
			if turn < turns {
				m.Pages = append(m.Pages, d.Pages[i].Number)
			}
		}
	}
	return cut
}

func repeats(order []int, length int) bool {
	for i := length; i < len(order); i++ {
		if order[i] != order[i-length] {
			return false
		}
	}
	return true
}

func distinct(pages []int) int {
	sorted := slices.Clone(pages)
	slices.Sort(sorted)
	return len(slices.Compact(sorted))
}

// Runs returns the runs of changing bytes of an identifier, at most two bytes long
// each, as unsigned little-endian signals. Bytes that hold nothing but what looks
// like a counter or a checksum are left out. Whether they are signals nobody knows.
func (d *ID) Runs() (all []signal.Definition) {
	changing := func(at int) bool {
		return at < len(d.Typical) && at < len(d.Changing) && d.Like.leaves(at, d.Changing[at]) != 0
	}
	for at := 0; at < len(d.Changing); at++ {
		if !changing(at) {
			continue
		}
		n := 1
		if changing(at + 1) {
			n = 2
		}
		all = append(all, signal.Definition{Name: fmt.Sprintf("raw_%s_%d", d.ID, at), Start: 8 * at, Bits: 8 * n, Scale: 1, Page: signal.AnyPage})
		at += n - 1
	}
	return all
}

// unknownLaw is the law of bytes of which nothing but their change is known.
func (d *ID) unknownLaw(r *signal.Definition) traffic.Value {
	_, high := r.Range()
	return traffic.Value{Kind: traffic.RandomWalk, High: high, Step: high / 4}
}

// law fits how a signal moves.
func (d *ID) law(g *Signal) traffic.Value {
	constant := traffic.Value{Kind: traffic.Constant, Low: g.Last}
	switch {
	case g.Movement == Never || !(g.High-g.Low > smallest) || math.IsInf(g.High-g.Low, 0):
		return constant
	case g.Alive && !g.Float && slices.ContainsFunc(d.Like.Counters, func(f Field) bool { return f.Bits == g.Bits }):
		return traffic.Value{Kind: traffic.Counter}
	case g.Alive && !g.Float:
		return traffic.Value{Kind: traffic.Checksum}
	case g.Two:
		if v, ok := twoLevels(g); ok {
			return v
		}
	}
	// A step is uniform in both directions: its mean size is half of the largest.
	step, span := 2*g.MeanStep*float64(g.Changes)/float64(g.Frames), g.High-g.Low
	if step = sixDigits(min(max(step, span*1e-6), span)); step > span {
		step = sixDigits(span * (1 - 1e-5)) // rounding must not lead out of the range
	}
	return traffic.Value{Kind: traffic.RandomWalk, Low: g.Low, High: g.High, Step: step}
}

// twoLevels fits a signal of two values as a square where its stays are alike, or
// as pulses at random instants.
func twoLevels(g *Signal) (traffic.Value, bool) {
	high, low := &g.levels[0], &g.levels[1]
	if high.value < low.value {
		high, low = low, high
	}
	if high.stays == 0 || low.stays == 0 {
		return traffic.Value{}, false
	}
	up, down := high.mean(), low.mean()
	v := traffic.Value{Kind: traffic.Square, Low: low.value, High: high.value, Every: up + down, Width: up}
	alike := float64(low.least) >= 0.8*float64(down) && float64(high.least) >= 0.8*float64(up)
	if !alike && up < down {
		v.Kind = traffic.Pulse
	}
	return v, up > 0 && v.Every >= leastPeriod && v.Every <= 1000*time.Hour
}

// fill puts constants where no signal lies, so that the frames are as long on the
// wire as they were.
func (d *ID) fill(m *traffic.Message) {
	var covered [bus.MaxLength]byte
	if s := m.Selector; s != nil {
		bus.WriteField(covered[:], s.Start, s.Bits, s.BigEndian, ^uint64(0))
	}
	for i := range m.Fields {
		f := &m.Fields[i].Signal
		bus.WriteField(covered[:], f.Start, f.Bits, f.BigEndian, ^uint64(0))
	}
	free := func(bit int) bool { return covered[bit>>3]>>(bit&7)&1 == 0 }
	for bit := 0; bit < 8*len(d.Typical); {
		n := 0
		for bit+n < 8*len(d.Typical) && n < 32 && free(bit+n) {
			n++
		}
		if n == 0 {
			bit++
			continue
		}
		raw, _ := bus.ReadField(d.Typical, bit, n, false)
		if raw != 0 {
			c := signal.Definition{Name: fmt.Sprintf("fixed_%s_%d", d.ID, bit), Start: bit, Bits: n, Scale: 1, Page: signal.AnyPage}
			m.Fields = d.place(m, traffic.Field{Signal: c, Value: traffic.Value{Kind: traffic.Constant, Low: float64(raw)}})
		}
		bit += n
	}
	if len(m.Fields) == 0 && m.Selector == nil && m.Length > 0 {
		// A message without fields would get bytes of its own: say that they are 0.
		zero := signal.Definition{Name: fmt.Sprintf("fixed_%s_0", d.ID), Bits: 8, Scale: 1, Page: signal.AnyPage}
		m.Fields = d.place(m, traffic.Field{Signal: zero})
	}
}

// sixDigits rounds an estimate to six significant digits.
func sixDigits(x float64) float64 {
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 6, 64), 64)
	return rounded
}

package traffic

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

func TestLawsOfValuesByHand(t *testing.T) {
	at := func(v Value, instant time.Duration, number int64) float64 {
		c := newCurve(Field{unsigned("x", 0, 4), v}, 1)
		return c.At(instant, number)
	}
	require.Equal(t, 7.5, at(Value{Kind: Constant, Low: 7.5}, 12*ms, 3))

	ramp := Value{Kind: Ramp, Low: 10, High: 30, Every: 100 * ms}
	require.Equal(t, 10.0, at(ramp, 0, 0))
	require.Equal(t, 15.0, at(ramp, 25*ms, 0))
	require.Equal(t, 15.0, at(ramp, 225*ms, 0))

	sine := Value{Kind: Sine, Low: -1, High: 3, Every: 100 * ms}
	require.InDelta(t, 1, at(sine, 0, 0), 1e-12)
	require.InDelta(t, 3, at(sine, 25*ms, 0), 1e-12)
	require.InDelta(t, -1, at(sine, 175*ms, 0), 1e-12)

	square := Value{Kind: Square, Low: 2, High: 5, Every: 100 * ms, Width: 30 * ms}
	require.Equal(t, 5.0, at(square, 0, 0))
	require.Equal(t, 5.0, at(square, 30*ms-1, 0))
	require.Equal(t, 2.0, at(square, 30*ms, 0))
	require.Equal(t, 5.0, at(square, 100*ms, 0))
	require.Equal(t, 2.0, at(Value{Kind: Square, Low: 2, High: 5, Every: 100 * ms}, 50*ms, 0), "half a turn")

	require.Equal(t, 15.0, at(Value{Kind: Counter}, 0, 15))
	require.Equal(t, 1.0, at(Value{Kind: Counter}, 0, 17), "4 bits")
	require.True(t, math.IsNaN(at(Value{Kind: Checksum}, 0, 0)))
}

// The instants at which NextChange says that a value changes are those at which
// it does.
func TestNextChangeIsWhereTheValueChanges(t *testing.T) {
	for name, v := range map[string]Value{
		"square":            {Kind: Square, High: 1, Every: 977, Width: 300},
		"square, half":      {Kind: Square, High: 1, Every: 1000},
		"pulse":             {Kind: Pulse, High: 1, Every: 900, Width: 200},
		"pulses that merge": {Kind: Pulse, High: 1, Every: 500, Width: 500},
	} {
		t.Run(name, func(t *testing.T) {
			c := newCurve(Field{unsigned("x", 0, 1), v}, 7)
			changes := c
			next := changes.NextChange(0)
			last := c.At(0, 0)
			for now := time.Duration(1); now < 100_000; now++ {
				x := c.At(now, 0)
				require.Equal(t, x != last, now == next, "at %d", now)
				last = x
				if now == next {
					next = changes.NextChange(now)
				}
			}
		})
	}
}

// A pulse is high when an instant fell into the width before: 1 - exp(-w/m), from
// the first moment on. Its changes come at the rate 2 exp(-w/m)/m.
func TestPulseIsStationary(t *testing.T) {
	field := Field{unsigned("x", 0, 1), Value{Kind: Pulse, High: 1, Every: 10 * ms, Width: 4 * ms}}
	n := size(20_000, 1_000_000)
	high, changes := 0, 0
	const watched = 5 * ms
	for key := range n {
		c := newCurve(field, uint64(key)*0x632be59bd9b4e019)
		if c.At(0, 0) == 1 {
			high++
		}
		for at := c.NextChange(0); at <= watched; at = c.NextChange(at) {
			changes++
		}
	}
	p := 1 - math.Exp(-0.4)
	require.InDelta(t, p, float64(high)/float64(n), 4*math.Sqrt(p*(1-p)/float64(n)))
	// The changes of one window number 0.67 on average, with a variance below their mean plus its square.
	mean := 2 * math.Exp(-0.4) * 0.5
	require.InDelta(t, mean, float64(changes)/float64(n), 4*math.Sqrt((mean+mean*mean)/float64(n)))
}

// The uniform law is stationary for a walk with symmetric steps between
// reflecting walls.
func TestRandomWalkStaysUniform(t *testing.T) {
	field := Field{unsigned("x", 0, 8), Value{Kind: RandomWalk, Low: 20, High: 120, Step: 30}}
	var values []float64
	for key := range size(5000, 100_000) {
		c := newCurve(field, uint64(key)*0x632be59bd9b4e019)
		before := c.At(0, 9)
		after := c.At(0, 10)
		require.LessOrEqual(t, math.Abs(after-before), 30.0)
		values = append(values, after)
	}
	require.Less(t, distance(values, func(x float64) float64 { return (x - 20) / 100 }), kolmogorov)
}

// Every frame carries the value of its release, whenever it was sent, page by
// page, with a right checksum.
func TestPayloadsCarryTheValuesOfTheirRelease(t *testing.T) {
	paged := unsigned("pressure", 8, 12)
	paged.Page, paged.Scale = 1, 0.5
	speed := signal.Definition{Name: "speed", Start: 23, Bits: 16, BigEndian: true, Signed: true, Scale: 0.01, Offset: 5, Page: 2}
	m := Message{
		Name: "sprayer", ID: 0x300, Length: 8, Period: 3 * ms, Jitter: ms,
		Selector: &signal.Selector{Start: 0, Bits: 4}, Pages: []int{1, 2, 1, 3},
		Fields: []Field{
			{paged, Value{Kind: RandomWalk, Low: 0, High: 2000, Step: 40}},
			{speed, Value{Kind: Sine, Low: -40, High: 40, Every: time.Second}},
			{unsigned("alive", 4, 4), Value{Kind: Counter}},
			{unsigned("lamp", 40, 1), Value{Kind: Pulse, High: 1, Every: 50 * ms, Width: 20 * ms}},
			{unsigned("fixed", 48, 8), Value{Kind: Constant, Low: 77}},
			{unsigned("sum", 56, 8), Value{Kind: Checksum}},
		},
	}
	crowd := Message{Name: "crowd", ID: 0x100, Length: 8, Period: 250 * time.Microsecond}
	s := set(t, Config{Messages: []Message{m, crowd}, BitRate: 500_000})
	curves := make([]*Curve, len(m.Fields))
	for i := range curves {
		curves[i] = s.Curve(0, i)
	}
	number := int64(0)
	for _, f := range frames(s, 20*time.Second) {
		if f.Message != 0 {
			continue
		}
		page, ok := m.Selector.Page(f.Payload())
		require.True(t, ok)
		require.Equal(t, m.Pages[number%4], page)
		for i, field := range m.Fields {
			if !field.Signal.Present(m.Selector, f.Payload()) || field.Value.Kind == Checksum {
				continue
			}
			want, clipped := field.Signal.ToRaw(curves[i].At(f.Released, number))
			require.False(t, clipped)
			raw, ok := field.Signal.Raw(f.Payload())
			require.True(t, ok)
			require.Equal(t, want, raw, "%s, release %d", field.Signal.Name, number)
		}
		sum := byte(0)
		for _, b := range f.Data[:7] {
			sum += b
		}
		require.Equal(t, sum, f.Data[7])
		number++
	}
	require.Greater(t, number, int64(100))
}

// What nobody knows the signals of has fixed bytes that follow from the
// identifier; of the bytes without a field the rest of a known message is 0.
func TestBytesWithoutSignals(t *testing.T) {
	messages := []Message{
		{ID: 0x100, Length: 8, Period: 10 * ms},
		{ID: 0x101, Length: 8, Period: 10 * ms},
		{ID: 0x102, Length: 8, Period: 10 * ms, Fields: []Field{{unsigned("x", 8, 8), Value{Kind: Constant, Low: 3}}}},
	}
	seen := map[bus.ID][8]byte{}
	for _, f := range frames(set(t, Config{Messages: messages}), time.Second) {
		data := [8]byte(f.Data[:8])
		if before, ok := seen[f.ID]; ok {
			require.Equal(t, before, data)
		}
		seen[f.ID] = data
	}
	require.Len(t, seen, 3)
	require.NotEqual(t, seen[0x100], seen[0x101])
	require.Equal(t, [8]byte{1: 3}, seen[0x102])
}

// A checksum leaves out whole bytes: all that it touches. A signal that reads the
// selector reads the page.
func TestChecksumAcrossBytesAndASignalOnTheSelector(t *testing.T) {
	m := Message{
		ID: 0x100, Length: 4, Period: 10 * ms, Selector: selector(0, 4), Pages: []int{5, 6},
		Fields: []Field{
			{unsigned("page", 0, 4), Value{Kind: Ramp, High: 15, Every: time.Second}},
			{unsigned("one", 4, 4), Value{Kind: Constant, Low: 1}},
			{unsigned("counter", 8, 4), Value{Kind: Counter}},
			{unsigned("sum", 12, 8), Value{Kind: Checksum}}, // in bytes 1 and 2
			{unsigned("nine", 20, 4), Value{Kind: Constant, Low: 9}},
			{unsigned("three", 24, 8), Value{Kind: Constant, Low: 3}},
		},
	}
	for i, f := range frames(set(t, Config{Messages: []Message{m}}), time.Second) {
		page := byte(5 + i%2)
		sum := 0x10 + page + 3
		require.Equal(t, []byte{0x10 + page, sum<<4 | byte(i%16), 0x90 | sum>>4, 3}, f.Payload())
	}
}

package survey

import (
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

const (
	ms = time.Millisecond
	us = time.Microsecond
)

func long() bool { return os.Getenv("STALEGAUGE_LONG") == "1" }

func streams(seed uint64) func(string, int) *rand.Rand {
	return func(purpose string, index int) *rand.Rand {
		h := seed
		for _, c := range purpose {
			h = h*1099511628211 + uint64(c)
		}
		return rand.New(rand.NewPCG(h, uint64(index)))
	}
}

func field(name string, start, bits int, v traffic.Value) traffic.Field {
	return traffic.Field{Signal: signal.Definition{Name: name, Start: start, Bits: bits, Scale: 1, Page: signal.AnyPage}, Value: v}
}

func paged(page int, f traffic.Field) traffic.Field {
	f.Signal.Page = page
	return f
}

var walk = traffic.Value{Kind: traffic.RandomWalk, Low: 0, High: 4000, Step: 300}

// ferry is a bus of which everything is known.
func ferry() []traffic.Message {
	return []traffic.Message{
		{Name: "Rudder", ID: 0x100, Length: 8, Period: 10 * ms, Jitter: 200 * us, Drift: 120, Fields: []traffic.Field{
			field("angle", 0, 12, walk), field("rate", 16, 12, walk),
			field("count", 52, 4, traffic.Value{Kind: traffic.Counter}), field("check", 56, 8, traffic.Value{Kind: traffic.Checksum})}},
		{Name: "Alive", ID: 0x180, Length: 3, Period: 50 * ms, Fields: []traffic.Field{
			field("beat", 0, 8, traffic.Value{Kind: traffic.Counter}), field("beat_check", 16, 8, traffic.Value{Kind: traffic.Checksum})}},
		{Name: "Engine", ID: 0x200, Length: 8, Period: 20 * ms, Jitter: ms, Fields: []traffic.Field{
			field("speed", 0, 16, traffic.Value{Kind: traffic.RandomWalk, Low: 100, High: 900, Step: 20}), field("spare", 32, 8, traffic.Value{Kind: traffic.Constant, Low: 7})}},
		{Name: "Tanks", ID: 0x240, Length: 4, Period: 100 * ms, Selector: &signal.Selector{Bits: 2}, Pages: []int{0, 1, 0, 3}, Fields: []traffic.Field{
			paged(0, field("fuel", 8, 8, traffic.Value{Kind: traffic.Ramp, High: 200, Every: 100 * time.Second})),
			paged(1, field("water", 8, 8, traffic.Value{Kind: traffic.Constant, Low: 90})),
			paged(3, field("bilge", 8, 8, traffic.Value{Kind: traffic.RandomWalk, High: 50, Step: 3}))}},
		{Name: "Ramp", ID: 0x280, Length: 1, Period: 100 * ms, Fields: []traffic.Field{
			field("ramp_down", 0, 1, traffic.Value{Kind: traffic.Pulse, High: 1, Every: 20 * time.Second, Width: 2 * time.Second}),
			field("beacon", 1, 1, traffic.Value{Kind: traffic.Square, High: 1, Every: time.Second, Width: 400 * ms})}},
		{Name: "Doors", ID: 0x300, Length: 2, Events: &traffic.Events{Every: 300 * ms, MinGap: 20 * ms}},
		{Name: "First", ID: 0x400, Length: 8, Period: 100 * ms, Phase: traffic.PhaseFixed, Offset: 3 * ms},
		{Name: "Second", ID: 0x401, Length: 8, Period: 100 * ms, Phase: traffic.PhaseFixed, Offset: 3 * ms},
		{Name: "Third", ID: 0x402, Length: 8, Period: 100 * ms, Phase: traffic.PhaseFixed, Offset: 3 * ms},
		{Name: "Ask", ID: 0x500, Length: 8, Remote: true, Period: time.Second},
		{Name: "Slow", ID: bus.Extended | 0x18FF0010, Length: 8, Period: time.Second},
	}
}

func survey(t *testing.T, messages []traffic.Message, rate int, span time.Duration, o Options) (*Inventory, *traffic.Set) {
	t.Helper()
	set, err := traffic.New(traffic.Config{Messages: messages, BitRate: rate, Stream: streams(1)})
	require.NoError(t, err)
	return Take(set, span, o).Inventory(), set
}

func find(t *testing.T, inv *Inventory, id bus.ID) *ID {
	t.Helper()
	i := slices.IndexFunc(inv.IDs, func(d ID) bool { return d.ID == id })
	require.GreaterOrEqual(t, i, 0, id)
	return &inv.IDs[i]
}

func signalOf(t *testing.T, d *ID, name string) *Signal {
	t.Helper()
	i := slices.IndexFunc(d.Signals, func(s Signal) bool { return s.Name == name })
	require.GreaterOrEqual(t, i, 0, name)
	return &d.Signals[i]
}

func TestRhythms(t *testing.T) {
	inv, _ := survey(t, ferry(), 250_000, 120*time.Second, Options{BitRate: 250_000, Layouts: OfMessages(ferry())})
	require.Len(t, inv.IDs, 11)
	rudder := find(t, inv, 0x100)
	require.Equal(t, Cyclic, rudder.Regularity)
	require.InDelta(t, 10e6*1.00012, rudder.MeanExact, 1e3, "12,000 intervals of jitter 0.2 ms at both ends")
	require.InDelta(t, float64(10*ms), float64(rudder.Median), float64(10*ms)*Resolution)
	require.Greater(t, rudder.Jitter(), 200*us)
	require.Less(t, rudder.Jitter(), 3*ms)
	require.Equal(t, rudder.Frames, uint64(11999))

	doors := find(t, inv, 0x300)
	require.Equal(t, OnEvent, doors.Regularity)
	require.GreaterOrEqual(t, int64(doors.Shortest), int64(19*ms))
	require.Greater(t, doors.Longest.Seconds(), 1.0)
	require.InDelta(t, 300, float64(doors.Mean)/1e6, 5*300/math.Sqrt(float64(doors.Frames)))

	tanks := find(t, inv, 0x240)
	require.Equal(t, []int{0, 1, 3}, []int{tanks.Pages[0].Number, tanks.Pages[1].Number, tanks.Pages[2].Number})
	require.InDelta(t, 200e6, tanks.Pages[0].MeanExact, 1e5)
	require.InDelta(t, 400e6, tanks.Pages[2].MeanExact, 1e5)
	require.Equal(t, uint64(120), find(t, inv, 0x500).Remotes)
}

func TestContents(t *testing.T) {
	inv, _ := survey(t, ferry(), 250_000, 120*time.Second, Options{BitRate: 250_000, Layouts: OfMessages(ferry())})
	rudder := find(t, inv, 0x100)
	require.Equal(t, []Field{{52, 4}}, rudder.Like.Counters)
	require.Equal(t, []int{7}, rudder.Like.Checksums)
	require.False(t, rudder.Like.Alive)
	require.Equal(t, []byte{0xFF, 0x0F, 0xFF, 0x0F, 0, 0, 0xF0, 0xFF}, rudder.Changing)
	alive := find(t, inv, 0x180)
	require.Equal(t, []Field{{0, 8}, {16, 8}}, alive.Like.Counters, "the sum of one counter counts as well")
	require.True(t, alive.Like.Alive)
	engine := find(t, inv, 0x200)
	require.Empty(t, engine.Like.Counters)
	require.Empty(t, engine.Like.Checksums)
	require.Equal(t, Like{}, find(t, inv, 0x400).Like)
	require.Equal(t, []Group{{[]bus.ID{0x400, 0x401, 0x402}, inv.Groups[0].Share}}, inv.Groups)
	require.GreaterOrEqual(t, inv.Groups[0].Share, 0.8)
}

func TestSignals(t *testing.T) {
	inv, _ := survey(t, ferry(), 250_000, 120*time.Second, Options{BitRate: 250_000, Layouts: OfMessages(ferry())})
	speed := signalOf(t, find(t, inv, 0x200), "speed")
	require.Equal(t, Constantly, speed.Movement)
	require.GreaterOrEqual(t, speed.Low, 100.0)
	require.LessOrEqual(t, speed.High, 900.0)
	require.Equal(t, 1.0, speed.Used)
	require.InDelta(t, 49, speed.PerSecond, 1.5, "one step in 40 is none")
	require.InDelta(t, 20*ms, speed.Shortest, float64(3*ms))
	spare := signalOf(t, find(t, inv, 0x200), "spare")
	require.Equal(t, Never, spare.Movement)
	require.Equal(t, 7.0, spare.Last)
	ramp := find(t, inv, 0x280)
	require.Equal(t, InPulses, signalOf(t, ramp, "ramp_down").Movement)
	require.InDelta(t, float64(2*time.Second), float64(signalOf(t, ramp, "ramp_down").Pulse), float64(102*ms))
	require.InDelta(t, float64(400*ms), float64(signalOf(t, ramp, "beacon").Pulse), float64(3*ms))
	require.Equal(t, Never, signalOf(t, find(t, inv, 0x240), "water").Movement)
	require.InDelta(t, 2, signalOf(t, find(t, inv, 0x240), "fuel").PerSecond, .1)
	require.True(t, signalOf(t, find(t, inv, 0x100), "count").Alive)
	require.True(t, signalOf(t, find(t, inv, 0x100), "check").Alive)
}

// Load and lengths are those that the bus itself counted.
func TestLoad(t *testing.T) {
	inv, set := survey(t, ferry(), 250_000, 120*time.Second, Options{BitRate: 250_000})
	require.InEpsilon(t, float64(set.Busy())/float64(120*time.Second), inv.Load, 1e-3)
	share := 0.0
	for _, d := range inv.IDs {
		share += d.Share
	}
	require.InDelta(t, 1, share, 1e-9)
	for _, w := range inv.Windows {
		require.LessOrEqual(t, w.Most, 1.05) // a frame counts whole where it ends
		require.LessOrEqual(t, w.Median, w.Quantile99)
		require.InDelta(t, (120*time.Second).Seconds()/w.Length.Seconds(), float64(w.Stretches), 2)
	}
	require.False(t, inv.Laid)
	require.Empty(t, inv.Unknown)
}

func TestStormsSilencesAndWhatIsMissing(t *testing.T) {
	m := ferry()
	set, err := traffic.New(traffic.Config{Messages: m, BitRate: 250_000, Stream: streams(1), BitErrorRate: 1e-5, ErrorFrames: true,
		Timeline: []traffic.Episode{{At: 10 * time.Second, Storm: &traffic.Storm{Message: 10}}, {At: 11 * time.Second}, {At: 20 * time.Second, Asleep: true}, {At: 24 * time.Second}}})
	require.NoError(t, err)
	known := append(OfMessages(m).All[:4:4], Layout{Name: "Ghost", ID: 0x777})
	o := Options{BitRate: 250_000, Layouts: OfMessages(m)}
	o.Layouts.All = append(o.Layouts.All, known[4])
	inv := Take(set, 60*time.Second, o).Inventory()
	require.Len(t, inv.Storms, 1)
	require.Equal(t, bus.Extended|0x18FF0010, inv.Storms[0].ID)
	require.InDelta(t, 10.5, inv.Storms[0].At.Seconds(), 0.5)
	require.Greater(t, inv.Storms[0].Load, 0.5)
	require.InDelta(t, 1, inv.Storms[0].Lasted.Seconds(), 0.2)
	require.Greater(t, inv.Errors, uint64(10))
	require.InDelta(t, 4, inv.Silence.Seconds(), 0.02)
	require.InDelta(t, 20, inv.SilenceAt.Seconds(), 0.02)
	require.Equal(t, []bus.ID{0x500}, inv.Unknown, "remote frames have no layout")
	require.Equal(t, []Unseen{{ID: 0x777, Name: "Ghost"}}, inv.Unseen)
}

// The rate is told from the distances of frames, for every rate in use, on a bus
// of any load that has frames back to back.
func TestBitRateIsGuessed(t *testing.T) {
	for _, rate := range commonRates {
		var m []traffic.Message
		period := time.Duration(20 * 131 * 4e9 / rate) // a load of about a quarter
		for i := range 20 {
			m = append(m, traffic.Message{ID: bus.ID(0x100 + i), Length: 8, Period: period, Jitter: period / 4})
		}
		inv, _ := survey(t, m, rate, 60*time.Second, Options{})
		require.Equal(t, rate, inv.BitRate.Value, "%+v", inv.BitRate)
		require.True(t, inv.BitRate.Sure && inv.BitRate.Guessed)
		require.Contains(t, inv.BitRate.Reason, "follow the one before")
	}
	// Stamps of whole milliseconds say nothing.
	var frames []bus.Frame
	for i := range 1000 {
		frames = append(frames, bus.Frame{At: time.Duration(i/2) * ms, ID: 0x100, Length: 8})
	}
	inv := Take(bus.NewFrames(frames...), 0, Options{}).Inventory()
	require.Equal(t, usualRate, inv.BitRate.Value)
	require.False(t, inv.BitRate.Sure)
	require.Contains(t, inv.BitRate.Reason, "too coarse")
}

func TestHistogram(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	var h histogram
	require.Zero(t, h.quantile(.5))
	var all []int64
	for range 20_000 {
		v := int64(math.Exp(random.Float64() * 25))
		all = append(all, v)
		h.add(v)
	}
	slices.Sort(all)
	for _, q := range []float64{.001, .05, .5, .95, .999, 1} {
		exact := float64(all[int(math.Ceil(q*float64(len(all))))-1])
		require.InEpsilon(t, exact+1, h.quantile(q)+1, Resolution/2+1e-9, q)
	}
	require.InDelta(t, .5, h.within(0, float64(all[len(all)/2])), .01)
	require.Less(t, len(h.buckets), 28_000)
	for v := int64(0); v < 1<<20; v += 1 + v/1000 {
		low, above := edges(bucketOf(v))
		require.True(t, low <= v && v < above)
	}
	low, above := edges(bucketOf(math.MaxInt64))
	require.Positive(t, low)
	require.Negative(t, above, "the last bucket ends where the numbers do")
}

func TestGapsLeaveNoPeriod(t *testing.T) {
	var frames []bus.Frame
	at := time.Duration(0)
	for i := range 100 {
		at += 10 * ms
		gap := i == 50
		if gap {
			at += 7 * time.Second
		}
		frames = append(frames, bus.Frame{At: at, ID: 0x10, Length: 1, AfterGap: gap})
	}
	inv := Take(bus.NewFrames(frames...), 0, Options{BitRate: 500_000}).Inventory()
	require.Equal(t, 10*ms, inv.IDs[0].Mean)
	require.Equal(t, 10*ms, inv.IDs[0].Longest)
	require.Equal(t, uint64(1), inv.Gaps)
	require.Equal(t, 10*ms, inv.Silence)
}

func TestMemoryIsBounded(t *testing.T) {
	u := New(Options{})
	f := bus.Frame{Length: 0}
	for i := range mostIDs + 100 {
		f.ID, f.At = bus.Extended|bus.ID(i), f.At+ms
		u.Add(&f)
	}
	require.Equal(t, uint64(100), u.Inventory().Others)
	require.Len(t, u.streams, mostIDs)

	// What is not told apart takes its share of the bus all the same: a storm of it.
	before := u.bits
	for range 1000 {
		f.At += ms
		u.Add(&f)
	}
	length := bus.NewShape(f.ID, f.Kind, f.Flags, 0)
	one := length.Bits(nil).WithIntermission()
	require.Equal(t, before+1000*int64(one.Nominal), u.bits)
}

// One frame, or several at one instant, tell nothing of a clock or a bit rate.
func TestTooLittleToTell(t *testing.T) {
	for _, frames := range [][]bus.Frame{
		{{ID: 0x10, Length: 1}, {ID: 0x10, Length: 1, At: ms}},
		{{ID: 0x10}, {ID: 0x10}, {ID: 0x10}, {ID: 0x10}, {ID: 0x10}},
	} {
		require.Equal(t, Unclear, Take(bus.NewFrames(frames...), 0, Options{}).Inventory().IDs[0].Regularity)
	}
	inv := Take(bus.NewFrames(bus.Frame{ID: 0x10}), 0, Options{}).Inventory()
	require.Equal(t, Once, inv.IDs[0].Regularity)
	require.Equal(t, "assumed: no two frames of the classic format follow each other", inv.BitRate.Reason)
}

// A byte that is a cyclic redundancy check of the others is found whatever the
// polynomial: 1D (SAE J1850) and 2F as examples, beside random values that are not.
func TestChecksumsOfAnyPolynomial(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	for _, polynomial := range []byte{0x1D, 0x2F, 0} {
		var frames []bus.Frame
		for i := range 2000 {
			f := bus.Frame{At: time.Duration(i) * 10 * ms, ID: 0x10, Length: 8}
			crc := byte(0xFF)
			for k := range 7 {
				if k < 4 {
					f.Data[k] = byte(random.Uint32())
				}
				crc ^= f.Data[k]
				for range 8 {
					if crc&0x80 != 0 {
						crc = crc<<1 ^ polynomial
					} else {
						crc <<= 1
					}
				}
			}
			if f.Data[7] = crc ^ 0xFF; polynomial == 0 {
				f.Data[7] = byte(random.Uint32())
			}
			frames = append(frames, f)
		}
		d := Take(bus.NewFrames(frames...), 0, Options{BitRate: 500_000}).Inventory().IDs[0]
		if polynomial == 0 {
			require.Empty(t, d.Like.Checksums)
			continue
		}
		require.Equal(t, []int{7}, d.Like.Checksums, "polynomial %02X", polynomial)
	}
}

// In FD frames the data phase counts at its own rate.
func TestLoadOfFlexibleFrames(t *testing.T) {
	m := []traffic.Message{
		{ID: 0x10, Length: 64, Flags: bus.FD | bus.BitRateFast, Period: 5 * ms}, {ID: 0x20, Length: 12, Flags: bus.FD, Period: 10 * ms}, {ID: 0x30, Length: 8, Period: 10 * ms},
	}
	set, err := traffic.New(traffic.Config{Messages: m, BitRate: 500_000, DataBitRate: 2_000_000, Stream: streams(1)})
	require.NoError(t, err)
	inv := Take(set, 60*time.Second, Options{BitRate: 500_000, DataBitRate: 2_000_000}).Inventory()
	require.InEpsilon(t, float64(set.Busy())/float64(60*time.Second), inv.Load, 2e-3)
	require.Equal(t, 64, find(t, inv, 0x10).Length)
	require.Equal(t, find(t, inv, 0x10).Frames, inv.Fast)
	messages, _ := Fit(inv)
	require.Equal(t, []bus.Flags{bus.FD | bus.BitRateFast, bus.FD, 0}, []bus.Flags{messages[0].Flags, messages[1].Flags, messages[2].Flags})
}

// A floating point signal that is sometimes no number keeps the range of its
// numbers.
func TestValuesThatAreNoNumbers(t *testing.T) {
	d := signal.Definition{Name: "flow", Bits: 32, Float: true, Scale: 1, Page: signal.AnyPage}
	var frames []bus.Frame
	for i, x := range []float64{math.NaN(), 2, -3, math.NaN(), 7} {
		f := bus.Frame{At: time.Duration(i) * ms, ID: 0x10, Length: 4}
		d.Encode(f.Data[:4], x)
		frames = append(frames, f)
	}
	inv := Take(bus.NewFrames(frames...), 0, Options{BitRate: 500_000, Layouts: OfMessages([]traffic.Message{{ID: 0x10, Length: 4, Fields: []traffic.Field{{Signal: d}}}})}).Inventory()
	flow := inv.IDs[0].Signals[0]
	require.Equal(t, []float64{-3, 7}, []float64{flow.Low, flow.High})
	require.Equal(t, uint64(4), flow.Changes)
}

// Bounds of a database's messages hold for a bus that carries nothing else: what
// was heard beside them is told, with its share of the bus.
func TestBoundsWithoutTheOthers(t *testing.T) {
	inv := &Inventory{IDs: []ID{{ID: 0x100, Load: 0.02}, {ID: 0x200, Load: 0.015}, {ID: bus.Extended | 0x100, Load: 0.01}}}
	stated := []Wait{{ID: 0x100}}
	require.Equal(t, []string{"identifiers that were heard and have no entry in the database (2 of 3, 2.5 % of the bus): " +
		"a message may wait for them too, and longer than its bound"}, Unstated(inv, stated))
	require.Empty(t, Unstated(inv, append(stated, Wait{ID: 0x200}, Wait{ID: bus.Extended | 0x100})))
}

package age

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// step is one call to a track, d after the one before.
type step struct {
	kind byte // 'o'pen, 'u'pdate, 'c'lose
	d    time.Duration
	age  time.Duration // of the value it brings; may make it older than what is held

}

// tooth is one rise of the age; excursions go on from one to the next when joined.
type tooth struct {
	from, to time.Duration
	joined   bool // follows an update

}

// reference measures the same steps tooth by tooth from the definitions.
type reference struct {
	teeth                       []tooth
	latencies, peaks, intervals []time.Duration
}

func (r *reference) run(steps []step) {
	var now, validAt, start, last time.Duration
	open, delivered, joined := false, false, false
	for _, s := range steps {
		now += s.d
		switch {
		case s.kind == 'o' && !open:
			open, delivered, joined, validAt, start = true, false, false, now-s.age, s.age
		case s.kind == 'u' && open && now-s.age > validAt:
			r.teeth = append(r.teeth, tooth{from: start, to: now - validAt, joined: joined})
			r.peaks = append(r.peaks, now-validAt)
			r.latencies = append(r.latencies, s.age)
			if delivered {
				r.intervals = append(r.intervals, now-last)
			}
			delivered, joined, last, validAt, start = true, true, now, now-s.age, s.age
		case s.kind == 'c' && open:
			r.teeth = append(r.teeth, tooth{from: start, to: now - validAt, joined: joined})
			open = false
		}
	}
}

func feed(track *Track, steps []step) (now time.Duration) {
	for _, s := range steps {
		now += s.d
		switch {
		case s.kind == 'o' && !track.IsOpen():
			track.Open(now, now-s.age)
		case s.kind == 'u':
			track.Update(now, now-s.age)
		case s.kind == 'c' && track.IsOpen():
			track.Close(now)
		}
	}
	return now
}

func points(values []time.Duration) Points {
	var p Points
	for _, v := range values {
		p.Add(v, 1)
	}
	return p
}

// checkTrack holds a track against the reference and returns it, closed.
func checkTrack(t *testing.T, limit time.Duration, steps []step) *Track {
	t.Helper()
	track := NewTrack(limit)
	steps = append(steps, step{kind: 'c'})
	feed(track, steps)
	require.False(t, track.IsOpen())
	var r reference
	r.run(steps)

	var observed, over, longest, run time.Duration
	var twice, overage Int128
	var violations uint64
	var starts, ends Points
	for _, o := range r.teeth {
		observed += o.to - o.from
		twice = twice.Add(Product(int64(o.to), int64(o.to))).Sub(Product(int64(o.from), int64(o.from)))
		starts.Add(o.from, 1)
		ends.Add(o.to, 1)
		if limit == 0 {
			continue
		}
		if !o.joined || o.from <= limit {
			run = 0
		}
		a, b := max(o.from-limit, 0), max(o.to-limit, 0)
		if a < b && run == 0 {
			violations++
		}
		run += b - a
		over, longest = over+b-a, max(longest, run)
		overage = overage.Add(Product(int64(b), int64(b))).Sub(Product(int64(a), int64(a)))
	}
	require.Equal(t, observed, track.Observed())
	require.Equal(t, twice, track.TwiceArea())
	require.Equal(t, over, track.OverLimit())
	require.Equal(t, violations, track.Violations())
	require.Equal(t, longest, track.Longest())
	require.Equal(t, overage, track.TwiceOverage())
	require.Equal(t, points(r.latencies), *track.Latencies())
	require.Equal(t, points(r.peaks), *track.Peaks())
	require.Equal(t, points(r.intervals), *track.Intervals())
	require.Equal(t, observed, track.Ages().Total())
	require.Equal(t, ends.Max(), track.Ages().Max())
	want := map[int]time.Duration{}
	teeth := Teeth{Starts: []*Points{&starts}, Ends: []*Points{&ends}}
	teeth.Above(func(i int, above time.Duration) { want[i] = above })
	track.Ages().Above(func(i int, above time.Duration) { require.Equal(t, want[i], above) })
	return track
}

func TestTrackMeasuresASawtooth(t *testing.T) {
	track := checkTrack(t, 10, []step{
		{kind: 'u', age: 3}, // closed: nothing
		{kind: 'o', d: 5, age: 4},
		{kind: 'u', d: 3, age: 2}, // 4..7, then 2
		{kind: 'u', d: 1, age: 9}, // older than what is held: nothing
		{kind: 'u', d: 5, age: 3}, // 2..8, then 3
		{kind: 'c', d: 4},         // 3..7
	})
	require.EqualValues(t, 13, track.Observed())
	require.Equal(t, "133", track.TwiceArea().String()) // 49-16 + 64-4 + 49-9
	require.InDelta(t, 133./2/13, track.Mean(), 1e-15)
	require.EqualValues(t, 2, track.Latencies().Count(), "the opening is no delivery")
	require.EqualValues(t, 2, track.Peaks().Count(), "the closing is no delivery")
	require.EqualValues(t, 8, track.Peaks().Max())
	require.EqualValues(t, 1, track.Intervals().Count())
	require.Equal(t, 6., track.Intervals().Mean())
	require.Zero(t, track.Violations())
}

func TestTrackCountsExcursionsOverTheLimit(t *testing.T) {
	for _, c := range []struct {
		name       string
		steps      []step
		violations uint64
		over       time.Duration
		longest    time.Duration
	}{
		{"never", []step{{kind: 'o', age: 5}, {kind: 'u', d: 5, age: 1}}, 0, 0, 0},
		{"once, ended by an update", []step{{kind: 'o', age: 5}, {kind: 'u', d: 8, age: 1}}, 1, 3, 3},
		{"under way at the opening", []step{{kind: 'o', age: 15}, {kind: 'u', d: 8, age: 1}}, 1, 8, 8},
		{"at the opening for no time", []step{{kind: 'o', age: 15}, {kind: 'u', age: 1}}, 0, 0, 0},
		{"at the opening for no time, then for some", []step{{kind: 'o', age: 15}, {kind: 'u', age: 12}, {kind: 'u', d: 4, age: 0}}, 1, 4, 4},
		{"over an update that is itself above", []step{{kind: 'o', age: 5}, {kind: 'u', d: 15, age: 12}, {kind: 'u', d: 4, age: 1}}, 1, 14, 14},
		{"an update at the limit ends it", []step{{kind: 'o', age: 5}, {kind: 'u', d: 15, age: 10}, {kind: 'u', d: 4, age: 1}}, 2, 14, 10},
		{"under way at the closing", []step{{kind: 'o', age: 5}, {kind: 'c', d: 6}}, 1, 1, 1},
		{"two openings", []step{{kind: 'o', age: 5}, {kind: 'c', d: 6}, {kind: 'o', d: 3, age: 14}, {kind: 'c', d: 2}}, 2, 3, 2},
		{"twice", []step{{kind: 'o'}, {kind: 'u', d: 11, age: 1}, {kind: 'u', d: 11}, {kind: 'c', d: 1}}, 2, 3, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			track := checkTrack(t, 10, c.steps)
			require.Equal(t, c.violations, track.Violations())
			require.Equal(t, c.over, track.OverLimit())
			require.Equal(t, c.longest, track.Longest())
		})
	}
}

func decode(data []byte) (time.Duration, []step) {
	if len(data) == 0 {
		return 0, nil
	}
	limit := time.Duration(data[0])
	var steps []step
	for data = data[1:]; len(data) >= 3; data = data[3:] {
		kind := [8]byte{'o', 'u', 'u', 'u', 'u', 'u', 'u', 'c'}[data[0]&7]
		scale := time.Duration(1) << (data[0] >> 3 & 31)
		steps = append(steps, step{kind: kind, d: time.Duration(data[1]) * scale, age: time.Duration(data[2]) * (scale/2 + 1)})
	}
	return limit, steps
}

func TestTrackAgainstTheDefinitions(t *testing.T) {
	dice := rand.New(rand.NewPCG(7, 8))
	for range 300 {
		data := make([]byte, 1+3*dice.IntN(200))
		for i := range data {
			data[i] = byte(dice.Uint32())
		}
		limit, steps := decode(data)
		checkTrack(t, limit, steps)
	}
}

func FuzzTrack(f *testing.F) {
	f.Add([]byte{10, 0, 5, 4, 1, 20, 0, 7, 3, 3})
	f.Add([]byte{0, 248, 5, 4, 249, 20, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 3000 {
			return
		}
		limit, steps := decode(data)
		checkTrack(t, limit, steps)
	})
}

func TestTracksMergeByAddition(t *testing.T) {
	dice := rand.New(rand.NewPCG(9, 10))
	random := func() []step {
		steps := []step{{kind: 'o', age: 50}}
		for range 400 {
			steps = append(steps, step{kind: 'u', d: time.Duration(dice.IntN(300)), age: time.Duration(dice.IntN(200))})
		}
		return append(steps, step{kind: 'c', d: 5})
	}
	a, b := random(), random()
	whole, first, second := NewTrack(150), NewTrack(150), NewTrack(150)
	feed(whole, append(append([]step{}, a...), b...))
	feed(first, a)
	feed(second, b)
	first.Merge(second)
	// What a track keeps of its present tooth is no part of the sum.
	require.Equal(t, whole.over.total, first.over.total)
	require.Equal(t, whole.Violations(), first.Violations())
	require.Equal(t, whole.Longest(), first.Longest())
	require.Equal(t, whole.TwiceArea(), first.TwiceArea())
	require.Equal(t, whole.TwiceOverage(), first.TwiceOverage())
	require.Equal(t, whole.Observed(), first.Observed())
	require.Equal(t, whole.latencies, first.latencies)
	require.Equal(t, whole.peaks, first.peaks)
	require.Equal(t, whole.intervals, first.intervals)
	require.Equal(t, whole.opened, first.opened)
	require.Equal(t, whole.closed, first.closed)

	first.Reset()
	feed(first, a)
	again := NewTrack(150)
	feed(again, a)
	require.Equal(t, again.TwiceArea(), first.TwiceArea())
	require.Equal(t, again.Latencies().Quantile(.9), first.Latencies().Quantile(.9))
	require.Equal(t, again.Ages().Quantile(.9), first.Ages().Quantile(.9))
}

// Two to the thirtieth teeth of a second: twice the area is 2^30 x 10^18, which
// needs 90 bits.
func TestTrackHoldsABillionTeeth(t *testing.T) {
	track := NewTrack(time.Second / 2)
	feed(track, []step{{kind: 'o'}, {kind: 'u', d: time.Second}, {kind: 'c'}})
	for range 30 {
		other := *track
		track.Merge(&other)
	}
	require.Equal(t, time.Second<<30, track.Observed())
	require.Equal(t, "1073741824000000000000000000", track.TwiceArea().String())
	require.Equal(t, 0.5e9, track.Mean())
	require.Equal(t, "268435456000000000000000000", track.TwiceOverage().String())
	require.Equal(t, 0.125e9, track.MeanOverage())
	require.EqualValues(t, 1<<30, track.Violations())
	require.Equal(t, time.Second/2<<30, track.OverLimit())
	require.InDelta(t, .99e9, track.Ages().Quantile(.99), 2)
}

func TestTrackOfNothing(t *testing.T) {
	var track Track
	require.True(t, math.IsNaN(track.Mean()))
	require.True(t, math.IsNaN(track.MeanOverage()))
	require.True(t, math.IsNaN(track.Ages().Quantile(.5)))
	_, ok := track.Held()
	require.False(t, ok)
	track.Open(5, 2)
	held, ok := track.Held()
	require.True(t, ok)
	require.EqualValues(t, 2, held)
}

func TestWrongUseOfATrackPanics(t *testing.T) {
	open := func() *Track { x := NewTrack(0); x.Open(10, 5); return x }
	require.PanicsWithValue(t, "age: Open of an open track", func() { open().Open(11, 5) })
	require.PanicsWithValue(t, "age: Close of a closed track", func() { NewTrack(0).Close(1) })
	require.PanicsWithValue(t, "age: time went back", func() { open().Update(9, 6) })
	require.PanicsWithValue(t, "age: time went back", func() { open().Close(9) })
	require.PanicsWithValue(t, "age: a value of the future", func() { open().Update(11, 12) })
	require.PanicsWithValue(t, "age: a limit below 0", func() { NewTrack(-1) })
	require.PanicsWithValue(t, "age: Merge of an open track", func() { open().Merge(NewTrack(0)) })
	require.PanicsWithValue(t, "age: Merge of tracks with different limits", func() { NewTrack(1).Merge(NewTrack(0)) })
}

func BenchmarkTrackUpdate(b *testing.B) {
	track := NewTrack(80 * time.Millisecond)
	track.Open(0, 0)
	now, gap := time.Duration(0), time.Duration(1)
	b.ReportAllocs()
	for b.Loop() {
		gap = (gap*1103515245 + 12345) & (1<<27 - 1)
		now += gap
		track.Update(now, now-gap&(1<<20-1))
	}
}

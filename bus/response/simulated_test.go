package response

import (
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

// effort returns the seeds and the simulated time of each.
func effort() (seeds int, span time.Duration) {
	if os.Getenv("STALEGAUGE_LONG") == "1" {
		return 20, 300 * time.Second
	}
	return 4, 60 * time.Second
}

// slowest runs a bus and returns the longest time from release to reception of
// each message, with how many frames it had.
func slowest(t *testing.T, b Bus, seed uint64, span time.Duration) (most []time.Duration, frames []int) {
	t.Helper()
	set, err := traffic.New(traffic.Config{
		Messages: b.Messages, BitRate: b.BitRate, DataBitRate: b.DataBitRate, Timeline: b.Timeline,
		Stream: func(purpose string, index int) *rand.Rand {
			h := seed
			for _, c := range purpose {
				h = h*1099511628211 + uint64(c)
			}
			return rand.New(rand.NewPCG(h, uint64(index)))
		},
	})
	require.NoError(t, err)
	most, frames = make([]time.Duration, len(b.Messages)), make([]int, len(b.Messages))
	for f := (bus.Frame{}); set.Next(&f) && f.At < span; {
		frames[f.Message]++
		most[f.Message] = max(most[f.Message], f.At-f.Released)
	}
	return most, frames
}

// walk is a field that fills the bytes of a message with noise.
func walk(length int) []traffic.Field {
	if length == 0 {
		return nil
	}
	bits := min(8*length, 48)
	d := signal.Definition{Name: "noise", Bits: bits, Scale: 1, Page: signal.AnyPage}
	low, high := d.Range()
	return []traffic.Field{{Signal: d, Value: traffic.Value{Kind: traffic.RandomWalk, Low: low, High: high, Step: high - low}}}
}

// buses are message sets with everything that the analysis covers.
func buses() map[string]Bus {
	vehicle, _ := vehicleLike()
	all := map[string]Bus{}
	b := Bus{BitRate: vehicle.BitRate}
	for i, length := range []int{8, 8, 6, 8, 4, 8, 2, 8} {
		m := vehicle.Messages[i]
		b.Messages = append(b.Messages, traffic.Message{Name: m.ID.String(), ID: m.ID, Length: length,
			Period: m.Releases[0].Distance, Jitter: m.Releases[0].Jitter, Fields: walk(length)})
	}
	all["vehicle-like"] = b

	// Three in four parts of the time busy, drifting against each other, at a bit
	// rate at which no bit is a whole number of nanoseconds.
	b = Bus{BitRate: 83_333}
	for i := range 12 {
		b.Messages = append(b.Messages, traffic.Message{ID: bus.ID(0x100 + 16*i), Length: i % 9, Period: time.Duration(14+i) * ms,
			Jitter: time.Duration(i%4) * ms, Drift: float64(200*i - 1000), Fields: walk(i % 9)})
	}
	all["crowded"] = b

	// Events at their shortest distance, heartbeats, remote frames, the fast format.
	lamp := traffic.Field{Signal: signal.Definition{Name: "lamp", Start: 8, Bits: 1, Scale: 1, Page: signal.AnyPage},
		Value: traffic.Value{Kind: traffic.Square, High: 1, Every: 14 * ms}}
	b = Bus{BitRate: 250_000, DataBitRate: 2_000_000, Messages: []traffic.Message{
		{ID: 0x10, Length: 8, Period: 30 * ms, Fields: []traffic.Field{lamp}, Events: &traffic.Events{OnChange: []int{0}, MinGap: 5 * ms, Heartbeat: 20 * ms}},
		{ID: 0x20, Length: 2, Events: &traffic.Events{Every: 3 * ms, Group: 3, Spacing: ms, MinGap: 2 * ms}},
		{ID: 0x30, Length: 64, Flags: bus.FD | bus.BitRateFast, Period: 10 * ms, Fields: walk(64)},
		{ID: 0x40, Length: 8, Remote: true, Period: 9 * ms, Jitter: 3 * ms},
		{ID: 0x40, Length: 8, Period: 9 * ms, Overwrite: true, Fields: walk(8)},
		{ID: bus.Extended | 0x40<<18, Length: 8, Period: 25 * ms, Fields: walk(8)},
		{ID: 0x7FF, Length: 1, Events: &traffic.Events{Heartbeat: 50 * ms}},
	}, Timeline: []traffic.Episode{{Name: "night", At: 20 * time.Second, Asleep: true}, {Name: "day", At: 22 * time.Second}}}
	all["mixed"] = b
	return all
}

func TestSimulatedLatencyNeverExceedsTheBound(t *testing.T) {
	seeds, span := effort()
	for name, b := range buses() {
		t.Run(name, func(t *testing.T) {
			set, open := Of(b)
			require.Empty(t, open)
			bounds := Analyze(set)
			highest := 0.0
			for seed := range seeds {
				most, frames := slowest(t, b, uint64(seed), span)
				for i := range most {
					require.Positive(t, frames[i])
					require.True(t, bounds[i].Bounded)
					require.LessOrEqual(t, most[i], bounds[i].Latency, "%v, seed %d", b.Messages[i].ID, seed)
					highest = max(highest, float64(most[i])/float64(bounds[i].Latency))
				}
			}
			require.Greater(t, highest, 0.6, "a bound that is never approached says little")
		})
	}
}

// At the critical instant, with the longest less urgent frame just begun, the most
// urgent message waits for exactly that frame: B + C. The frames are taken at
// their true lengths, as no frame has all the stuff bits of the bound.
func TestTheCriticalInstantIsReached(t *testing.T) {
	fixed := func(id bus.ID, length int, period, offset time.Duration) traffic.Message {
		return traffic.Message{ID: id, Length: length, Period: period, Offset: offset, Phase: traffic.PhaseFixed}
	}
	b := Bus{BitRate: 500_000, Messages: []traffic.Message{
		fixed(0x0A0, 8, 10*ms, 5*ms), fixed(0x120, 6, 10*ms, 5*ms), fixed(0x700, 8, 10*ms, 5*ms-1),
	}}
	set, _ := Of(b)
	for i := range set.Messages {
		lonely := Bus{BitRate: b.BitRate, Messages: b.Messages[i : i+1]}
		alone, _ := slowest(t, lonely, 1, time.Second)
		set.Messages[i].Longest = alone[0] + (bus.Intermission+1)*perBit(b.BitRate)
		require.Less(t, set.Messages[i].Longest, Longest(b.Messages[i].ID, bus.Data, 0, b.Messages[i].Length, b.BitRate, 0))
	}
	bounds := Analyze(set)
	most, _ := slowest(t, b, 1, time.Second)
	for i, m := range most[:2] {
		require.Equal(t, bounds[i].Latency-1, m, "released a nanosecond after the less urgent frame")
	}
	require.Equal(t, set.Messages[0].Longest+set.Messages[2].Longest, bounds[0].Response)
}

func TestWhatTheBoundsDoNotCover(t *testing.T) {
	b := Bus{BitRate: 500_000, BitErrorRate: 1e-5, Messages: []traffic.Message{
		{Name: "Lamps", ID: 0x10, Length: 8, Events: &traffic.Events{Every: 20 * ms}},
		{Name: "Drive", ID: 0x20, Length: 8, Period: 20 * ms},
	}, Timeline: []traffic.Episode{
		{Name: "stuck", At: time.Second, Storm: &traffic.Storm{Message: 1}},
		{Name: "nap", At: 2 * time.Second, Asleep: true}, {Name: "up", At: 2*time.Second + 10*ms},
	}}
	set, open := Of(b)
	require.Equal(t, []string{
		"010 (Lamps) is sent on events without a shortest distance (min_gap)",
		"bit errors (1 in 1e+05 bits): each destroyed frame is sent again",
		`the storm in "stuck"`,
		`the short sleep "nap": releases begin anew after it`,
	}, open)
	require.Empty(t, set.Messages[0].Releases)
	require.Equal(t, 270*us, Analyze(set)[1].Response)
}

func BenchmarkAnalyze(b *testing.B) {
	set := Set{BitRate: 500_000}
	for i := range 96 {
		set.Messages = append(set.Messages, Message{ID: bus.ID(i), Longest: 270 * us, Releases: []Releases{{Distance: time.Duration(20+4*i) * ms, Jitter: ms}}})
	}
	for b.Loop() {
		Analyze(set)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/96, "ns/message")
}

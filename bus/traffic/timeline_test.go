package traffic

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

func TestSpansOfATimeline(t *testing.T) {
	timeline := []Episode{
		{Name: "drive", At: 10 * time.Second},
		{Name: "row work", At: 20 * time.Second},
		{Name: "parked", At: 30 * time.Second, Asleep: true},
		{Name: "night", At: 40 * time.Second, Asleep: true, Storm: &Storm{Message: 1, Rate: 3000}},
		{Name: "still parked", At: 50 * time.Second, Asleep: true},
		{Name: "morning", At: 60 * time.Second},
		{Name: "storm", At: 70 * time.Second, Storm: &Storm{Message: 1}},
	}
	const s = time.Second
	require.Equal(t, []span{{0, 30 * s, 0}, {60 * s, endOfTime, 0}}, spansOf(0, timeline, 4000))
	require.Equal(t, []span{{0, 30 * s, 0}, {40 * s, 50 * s, 3000}, {60 * s, 70 * s, 0}, {70 * s, endOfTime, 4000}}, spansOf(1, timeline, 4000))
	require.Equal(t, []span{{0, endOfTime, 0}}, spansOf(0, nil, 4000))
	require.Empty(t, spansOf(0, []Episode{{At: 0, Asleep: true}}, 4000))
}

// Nothing is released while the bus sleeps. When it wakes, fixed phases begin
// again at their offsets and random ones are drawn anew.
func TestTheBusSleepsAndWakes(t *testing.T) {
	messages := []Message{
		{ID: 0x10, Length: 8, Period: 100 * ms, Phase: PhaseFixed, Offset: 30 * ms},
		{ID: 0x20, Length: 8, Period: 100 * ms},
		{ID: 0x30, Length: 8, Events: &Events{Every: 50 * ms}},
	}
	timeline := []Episode{{Name: "awake", At: 0}, {Name: "asleep", At: 1030*ms + 1, Asleep: true}, {Name: "awake again", At: 5017 * ms}, {Name: "asleep for good", At: 6 * time.Second, Asleep: true}}
	s := set(t, Config{Messages: messages, Timeline: timeline})
	var fixed, random []time.Duration
	var f bus.Frame
	for s.Next(&f) {
		require.True(t, f.Released <= 1030*ms || f.Released >= 5017*ms && f.Released < 6*time.Second, "released at %v", f.Released)
		switch f.Message {
		case 0:
			fixed = append(fixed, f.Released)
		case 1:
			random = append(random, f.Released)
		}
	}
	require.False(t, s.Next(&f), "nothing ever again")
	require.Len(t, fixed, 21)
	require.Equal(t, 30*ms, fixed[0])
	require.Equal(t, 1030*ms, fixed[10], "released just before the bus falls asleep, and still sent")
	require.Equal(t, 5047*ms, fixed[11])
	require.Equal(t, 5947*ms, fixed[20])
	for i := 1; i < len(random); i++ {
		if gap := random[i] - random[i-1]; gap > 100*ms {
			require.NotZero(t, gap%(100*ms), "the phase is another")
			return
		}
	}
	t.Fatal("no sleep among the random releases")
}

// A storm of one identifier on a sleeping bus: its releases are exactly those of
// its rate, nobody else sends, and the message's own law goes on afterwards.
func TestStormOfOneIdentifier(t *testing.T) {
	messages := []Message{
		{ID: 0x10, Length: 8, Period: 10 * ms},
		{ID: 0x20, Length: 8, Period: 500 * ms},
	}
	timeline := []Episode{
		{At: 0}, {At: time.Second, Asleep: true, Storm: &Storm{Message: 1, Rate: 3000}}, {At: 3 * time.Second},
	}
	count := [3][2]int{}
	var last, gap time.Duration
	for _, f := range frames(set(t, Config{Messages: messages, Timeline: timeline}), 5*time.Second) {
		part := 0
		if f.Released >= 3*time.Second {
			part = 2
		} else if f.Released >= time.Second {
			part = 1
			gap = max(gap, f.Released-last)
			last = f.Released
			if count[1][1] == 0 {
				require.Equal(t, time.Second, f.Released)
				gap = 0
			}
		}
		count[part][f.Message]++
	}
	require.Equal(t, 6000, count[1][1])
	require.Zero(t, count[1][0])
	require.InDelta(t, 333334, gap, 1)
	require.InDelta(t, 100, count[0][0], 1)
	require.Equal(t, 2, count[0][1])
	require.InDelta(t, 200, count[2][0], 1)
	require.InDelta(t, 4, count[2][1], 1)
}

// Back to back the bus is never free for longer than its intermission, and less
// urgent messages wait until the storm is over; more urgent ones do not. Nothing
// of the storm is left behind.
func TestStormBackToBackFillsTheBus(t *testing.T) {
	messages := []Message{
		{ID: 0x10, Length: 8, Period: 100 * ms},
		{ID: 0x20, Length: 8, Period: 500 * ms},
		{ID: 0x30, Length: 8, Period: 100 * ms},
	}
	s := set(t, Config{Messages: messages, Timeline: []Episode{{At: 0}, {At: time.Second, Storm: &Storm{Message: 1}}, {At: 2 * time.Second}}})
	var last time.Duration
	storm, urgent := 0, 0
	for _, f := range frames(s, 3*time.Second) {
		if f.At > time.Second+ms && f.At < 2*time.Second {
			require.Equal(t, f.Bits().WithIntermission().Duration(500_000, 0), f.At-last)
			require.NotEqual(t, int32(2), f.Message)
			storm++
			if f.Message == 0 {
				urgent++
				require.Less(t, f.At-f.Released, ms)
			}
		}
		last = f.At
	}
	// Between 135 and 111 bits a frame at 500 kbit/s.
	require.Greater(t, storm, 3700)
	require.Less(t, storm, 4505)
	require.InDelta(t, 10, urgent, 1)
	st := s.Statistics()
	require.EqualValues(t, 1, st.Messages[1].MaxWaiting)
	require.Greater(t, st.Messages[2].MaxWaiting, uint64(8))
	require.Zero(t, st.Messages[2].Waiting)
}

// A storm finds a queue and replaces what waits in it; what is released after it
// queues again, in order.
func TestStormReplacesAQueue(t *testing.T) {
	m := crowded(false)
	m[0].Period = 200 * time.Microsecond // nothing of message 1 gets through
	m[1].Fields[0].Value = Value{Kind: Counter}
	s := set(t, Config{Messages: m, Timeline: []Episode{{At: 0}, {At: time.Second, Storm: &Storm{Message: 1, Rate: 1000}}, {At: 2 * time.Second}, {At: 3 * time.Second, Asleep: true}}})
	var f bus.Frame
	var counters []uint64
	for s.Next(&f) {
		if f.Message == 1 {
			raw, _ := m[1].Fields[0].Signal.Raw(f.Payload())
			counters = append(counters, raw)
		}
	}
	st := s.Statistics().Messages[1]
	require.Equal(t, st.Released, st.Sent+st.Overwritten)
	require.Greater(t, st.Overwritten, uint64(1900))
	n := len(counters)
	require.Greater(t, n, 900)
	for i := n - 900; i < n; i++ {
		require.Equal(t, counters[i-1]+1, counters[i])
	}
}

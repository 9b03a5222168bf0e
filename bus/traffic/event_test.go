package traffic

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestEventsOnChangeByHand(t *testing.T) {
	// High from 0, 100, 200 ... ms for 30 ms.
	lamp := Field{unsigned("lamp", 0, 1), Value{Kind: Square, High: 1, Every: 100 * ms, Width: 30 * ms}}
	for name, c := range map[string]struct {
		events Events
		want   []time.Duration // ms
	}{
		"at every edge": {
			Events{OnChange: []int{0}},
			[]time.Duration{30, 100, 130, 200, 230, 300},
		},
		"an edge sooner than the minimum gap waits": {
			Events{OnChange: []int{0}, MinGap: 50 * ms},
			[]time.Duration{30, 100, 150, 200, 250, 300},
		},
		"edges that wait together become one release": {
			Events{OnChange: []int{0}, MinGap: 90 * ms},
			[]time.Duration{30, 120, 210, 300, 390, 480},
		},
		"the heartbeat starts anew with every release": {
			Events{OnChange: []int{0}, Heartbeat: 40 * ms},
			[]time.Duration{0, 30, 70, 100, 130, 170, 200, 230, 270, 300},
		},
		"heartbeat alone": {
			Events{Heartbeat: 40 * ms},
			[]time.Duration{0, 40, 80, 120},
		},
		"a heartbeat serves the edge at its instant and what waits": {
			Events{OnChange: []int{0}, Heartbeat: 100 * ms, MinGap: 80 * ms},
			[]time.Duration{0, 80, 160, 240, 320},
		},
	} {
		t.Run(name, func(t *testing.T) {
			m := Message{Phase: PhaseFixed, Fields: []Field{lamp}, Events: &c.events}
			var want []time.Duration
			for _, w := range c.want {
				want = append(want, w*ms)
			}
			require.Equal(t, want, instants(law(t, 1, m), len(want)))
		})
	}
}

func TestEventsOnTopOfAPeriodByHand(t *testing.T) {
	lamp := Field{unsigned("lamp", 0, 1), Value{Kind: Square, High: 1, Every: 100 * ms, Width: 30 * ms}}
	m := Message{Period: 40 * ms, Phase: PhaseFixed, Offset: 5 * ms, Fields: []Field{lamp}, Events: &Events{OnChange: []int{0}, MinGap: 20 * ms}}
	// The period runs freely: 5, 45, 85 ... An edge waits for 20 ms after it.
	want := []time.Duration{5 * ms, 30 * ms, 45 * ms, 85 * ms, 105 * ms, 125 * ms, 145 * ms}
	// 105: the edge at 100 would have been free at 105, where the period is. 125
	// is periodic; the edge at 130 waits until 145, again periodic.
	require.Equal(t, want, instants(law(t, 1, m), len(want)))
}

func TestPoissonEventsAreExponential(t *testing.T) {
	m := Message{Events: &Events{Every: 20 * ms}}
	n := size(20_000, 500_000)
	var gaps []float64
	last := time.Duration(0)
	for _, at := range instants(law(t, 3, m), n) {
		gaps = append(gaps, float64(at-last))
		last = at
	}
	require.Less(t, distance(gaps, func(x float64) float64 { return 1 - math.Exp(-x/20e6) }), kolmogorov)
	// The sum of n exponentials has a relative standard deviation of 1/sqrt(n).
	require.InEpsilon(t, 20e6*float64(n), float64(last), 4/math.Sqrt(float64(n)))
}

// Groups may overlap: every event of the single process has exactly its members,
// wherever the next event falls.
func TestGroupsHoldEveryMember(t *testing.T) {
	single := instants(law(t, 5, Message{Events: &Events{Every: 20 * ms}}), 520)
	group := instants(law(t, 5, Message{Events: &Events{Every: 20 * ms, Group: 3, Spacing: 7 * ms}}), 1500)
	at := map[time.Duration]bool{}
	for _, g := range group {
		at[g] = true
	}
	end := group[len(group)-1]
	members := 0
	for _, s := range single {
		for i := range 3 {
			if member := s + time.Duration(i)*7*ms; member <= end {
				require.True(t, at[member], "member %d of the event at %v", i, s)
				members++
			}
		}
	}
	require.Equal(t, 1500, members)
}

// A group that is cut by a sleep does not go on after it, and all members see
// the same events afterwards.
func TestGroupsBeginAnewAfterASleep(t *testing.T) {
	for seed := range uint64(20) { // in some of them the sleep cuts a group
		r := law(t, seed, Message{Events: &Events{Every: 20 * ms, Group: 2, Spacing: 7 * ms}},
			Episode{At: 0}, Episode{At: time.Second, Asleep: true}, Episode{At: 3 * time.Second})
		var after []time.Duration
		at := map[time.Duration]bool{}
		for range 400 {
			require.False(t, r.at >= time.Second && r.at < 3*time.Second)
			if r.at >= 3*time.Second {
				after = append(after, r.at)
				at[r.at] = true
			}
			r.advance()
		}
		end := after[len(after)-1]
		for _, a := range after {
			require.True(t, at[a+7*ms] || at[a-7*ms] || a > end-7*ms, "%v is alone", a)
		}
	}
}

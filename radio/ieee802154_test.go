package radio

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// lowRate returns the 802.15.4 profile of s.
func lowRate(t testing.TB, s Settings) *LowRate {
	t.Helper()
	s.Name = nameLowRate
	return profile(t, s).(*LowRate)
}

// A 133-byte packet takes 4.256 ms and a 16-byte one 0.512 ms (a component
// distributor's training slide on data frames); payload limits 122, 116, 104.
func TestLowRateFrameDurations(t *testing.T) {
	for _, c := range []struct {
		addressing string
		limit      int
	}{{"none", 122}, {"16-bit", 116}, {"", 116}, {"64-bit", 104}} {
		p := lowRate(t, Settings{Addressing: c.addressing})
		require.Equal(t, c.limit, p.MaxPayload())
		require.Equal(t, 4256*us, p.Airtime(c.limit))
		require.Equal(t, 127, p.FrameBytes(c.limit))
	}
	require.Equal(t, 512*us, lowRate(t, Settings{Addressing: "none"}).Airtime(5))
	preamble, perSecond := lowRate(t, Settings{}).Signal()
	require.Equal(t, 192*us, preamble)
	require.Equal(t, 250e3, perSecond)
}

// SIFS after frames of up to 18 bytes, LIFS after longer ones.
func TestLowRateSpacing(t *testing.T) {
	p := lowRate(t, Settings{})
	require.Equal(t, 192*us, p.Spacing(7))
	require.Equal(t, 640*us, p.Spacing(8))
}

// Latré et al. 2005 and 2006: unslotted, no addresses, no acknowledgement, 122
// bytes: 1120 us mean backoff + 4256 + 640 = 6016 us, an efficiency of 64.9 %
// and 162.23 kbit/s; with 16-bit and 64-bit addresses 154.26 and 138.30 kbit/s.
// Their sum has no assessment and turnaround, here 320 us more. The simulated
// station, always supplied, keeps to the mean within four standard errors.
func TestLowRateBestEfficiency(t *testing.T) {
	for addressing, want := range map[string]float64{"none": 162.23, "16-bit": 154.26, "64-bit": 138.30} {
		p := lowRate(t, Settings{Addressing: addressing})
		n := p.MaxPayload()
		published := p.occupancy(n) - lowRateCCA - lowRateTurn
		require.Equal(t, 6016*us, published)
		require.InDelta(t, want, float64(8*n)/published.Seconds()/1e3, 0.005)
		if addressing == "none" {
			require.InDelta(t, 64.894, 100*float64(8*n)/250e3/published.Seconds(), 0.0005)
		}

		c := p.Channel(ChannelConfig{Stations: 1, Stream: streams(1)})
		d, begins := sized(60*time.Second, 600*time.Second), 0
		saturate(c, 1, n, d, func(e Event) {
			if e.Kind == Began {
				begins++
			}
		})
		sd := 320e-6 * math.Sqrt((64-1)/12.0) // of one period
		require.InDelta(t, 6336e-6, d.Seconds()/float64(begins), 4*sd/math.Sqrt(float64(begins))+1e-6)
	}
}

// The first access on an idle medium takes 1440 us in the mean, 320 to 2560 us.
func TestLowRateFirstAccess(t *testing.T) {
	p := lowRate(t, Settings{})
	c := p.Channel(ChannelConfig{Stations: 1, Stream: streams(2)})
	sum, low, high, now := time.Duration(0), never, time.Duration(0), time.Duration(0)
	n := sized(20_000, 200_000)
	for range n {
		now += time.Second
		c.Request(now, 0, 20)
		for asked := now; ; {
			at, ok := c.Next()
			if !ok {
				break
			}
			for _, e := range c.Advance(at, nil) {
				if now = at; e.Kind == Began {
					wait := at - asked
					sum, low, high = sum+wait, min(low, wait), max(high, wait)
				}
			}
		}
	}
	sd := 320e-6 * math.Sqrt((64-1)/12.0)
	require.InDelta(t, 1440e-6, sum.Seconds()/float64(n), 4*sd/math.Sqrt(float64(n)))
	require.Equal(t, 320*us, low)
	require.Equal(t, 2560*us, high)
}

// flicker occupies the medium so that every assessment is busy with chance q,
// each independently: a test double in the place of other senders.
func flicker(t *testing.T, m *csma, q float64, rng *rand.Rand) {
	t.Helper()
	m.lastEnd = -time.Hour
	if rng.Float64() < q {
		at, _ := m.Next()
		m.lastEnd = at
	}
}

// When each assessment is busy with chance q an access fails with q^5; a frame
// that gets out begins after 1749, 2795, 4469 us in the mean for q = 0.1, 0.3,
// 0.5 (recomputed from the rules: backoffs of 3.5, 7.5, 15.5, 15.5, 15.5 units).
func TestLowRateAccessFailure(t *testing.T) {
	for q, want := range map[float64][2]float64{
		0.1: {1e-5, 1749}, 0.3: {0.00243, 2795}, 0.5: {0.03125, 4469}, 0.7: {0.16807, 0},
	} {
		m := lowRate(t, Settings{}).Channel(ChannelConfig{Stations: 1, Stream: streams(3)}).(*csma)
		rng := streams(4)("flicker", int(q*10))
		n, failed := sized(40_000, 400_000), 0
		var waits []float64
		var now time.Duration
		for range n {
			now += time.Second
			m.Request(now, 0, 20)
			for asked := now; ; {
				flicker(t, m, q, rng)
				at, ok := m.Next()
				if !ok {
					break
				}
				for _, e := range m.Advance(at, nil) {
					switch now = at; e.Kind {
					case Began:
						waits = append(waits, float64((at - asked).Microseconds()))
					case AccessFailed:
						failed++
					}
				}
			}
		}
		require.InDelta(t, want[0], float64(failed)/float64(n), 4*shareError(want[0], n), "q %v", q)
		require.InDelta(t, math.Pow(q, 5), want[0], 5e-6)
		if want[1] > 0 {
			mean, se := meanOf(waits)
			require.InDelta(t, want[1], mean, 0.5+4*se, "q %v", q)
		}
	}
}

// The worst wait: 7 + 15 + 31 + 31 + 31 = 115 units, 36.8 ms, and five
// assessments: 37.44 ms.
func TestLowRateWorstWait(t *testing.T) {
	m := lowRate(t, Settings{}).Channel(ChannelConfig{Stations: 1, Stream: func(string, int) *rand.Rand {
		return rand.New(&script{[]uint64{math.MaxUint64, math.MaxUint64, math.MaxUint64, math.MaxUint64, math.MaxUint64}})
	}}).(*csma)
	m.Request(0, 0, 20)
	rng := streams(1)("flicker", 0)
	for {
		flicker(t, m, 1, rng)
		at, ok := m.Next()
		require.True(t, ok)
		if events := m.Advance(at, nil); len(events) > 0 {
			require.Equal(t, []Event{{At: 37440 * us, Kind: AccessFailed}}, events)
			break
		}
	}
	require.Equal(t, 37440*us, m.Usage(37440 * us).Occupied[0])
}

// The counter goes on while another sends, an assessment that touches energy
// counts as busy, two that find the medium idle within a turnaround collide.
// 20 bytes of payload take 1184 us; a draw of 1 is one unit of 320 us.
func TestLowRateContention(t *testing.T) {
	scripted := func(draws ...[]uint64) func() Channel {
		return func() Channel {
			return lowRate(t, Settings{}).Channel(ChannelConfig{Stations: len(draws), Stream: func(purpose string, i int) *rand.Rand {
				return rand.New(&script{append([]uint64(nil), draws[i]...)})
			}})
		}
	}
	both(t, scripted([]uint64{0}), []ask{{0, 0, 20}}, "320 0 begins", "1504 0 ends")
	// Station 1 assesses from 1280 to 1408 while 0 is on the air, and again from
	// 1728 to 1856.
	both(t, scripted([]uint64{0}, []uint64{4, 1}), []ask{{0, 0, 20}, {0, 1, 20}},
		"320 0 begins", "1504 0 ends", "2048 1 begins", "3232 1 ends")
	// The last microsecond of station 0 lies in the assessment from 1503.
	both(t, scripted([]uint64{0}, []uint64{0, 0}), []ask{{0, 0, 20}, {1503 * us, 1, 20}},
		"320 0 begins", "1504 0 ends", "1951 1 begins", "3135 1 ends")
	both(t, scripted([]uint64{0}, []uint64{0}), []ask{{0, 0, 20}, {1504 * us, 1, 20}},
		"320 0 begins", "1504 0 ends", "1824 1 begins", "3008 1 ends")
	// Assessed before station 0 begins at 320, sent after it: a collision.
	both(t, scripted([]uint64{0}, []uint64{0}), []ask{{0, 0, 20}, {191 * us, 1, 20}},
		"320 0 begins", "511 1 begins", "1504 0 collides", "1695 1 collides")
	both(t, scripted([]uint64{0}, []uint64{0}), []ask{{0, 0, 20}, {192 * us, 1, 20}},
		"320 0 begins", "512 1 begins", "1504 0 collides", "1696 1 collides")
	both(t, scripted([]uint64{0}, []uint64{0, 7}), []ask{{0, 0, 20}, {193 * us, 1, 20}},
		"320 0 begins", "1504 0 ends", "2881 1 begins", "4065 1 ends")
	// The backoff behind a broadcast starts after the interframe space.
	both(t, scripted([]uint64{0, 0}), []ask{{0, 0, 20}, {1504 * us, 0, 20}},
		"320 0 begins", "1504 0 ends", "2464 0 begins", "3648 0 ends")
}

// The delivered share falls and accesses fail more as stations are added; two
// saturated stations collide about as often as their turnarounds meet.
func TestLowRateDeliveredAgainstStations(t *testing.T) {
	last, failing := 1.0, -1.0
	for _, n := range []int{1, 2, 4, 8, 16, 32} {
		c := lowRate(t, Settings{}).Channel(ChannelConfig{Stations: n, Stream: streams(uint64(n))})
		delivered, failed := crowd(c, n, 50, sized(60*time.Second, 600*time.Second))
		if n == 1 {
			require.Equal(t, 1.0, delivered)
			require.Zero(t, failed)
		}
		require.LessOrEqual(t, delivered, last, "n=%d", n)
		require.GreaterOrEqual(t, failed, failing, "n=%d", n)
		last, failing = delivered, failed
	}
	require.Less(t, last, 0.7)
	require.Greater(t, failing, 0.2)
}

// crowd saturates a medium, asking again after failures, and returns the share
// of broadcasts not collided and of accesses that failed.
func crowd(c Channel, stations, n int, until time.Duration) (delivered, failed float64) {
	for i := range stations {
		c.Request(0, i, n)
	}
	var ended, lost, refused float64
	for {
		at, _ := c.Next()
		if at > until {
			return 1 - lost/ended, refused / (refused + ended)
		}
		for _, e := range c.Advance(at, nil) {
			switch e.Kind {
			case Ended:
				ended++
				if e.Collided {
					lost++
				}
			case AccessFailed:
				refused++
			default:
				continue
			}
			c.Request(at, e.Station, n)
		}
	}
}

// Background senders on 802.15.4: one that defers shares the medium, a hidden
// one only collides.
func TestLowRateBackground(t *testing.T) {
	for _, b := range []Background{
		{Share: 0.3, Frame: 2 * ms}, {Share: 0.3, Frame: 2 * ms, BurstFrames: 4}, {Share: 0.3, Frame: 2 * ms, Hidden: true}, {Share: 0.3, Frame: 2 * ms, Deaf: true},
	} {
		c := lowRate(t, Settings{}).Channel(ChannelConfig{Stations: 1, Background: []Background{b}, Stream: streams(5)})
		d := sized(200*time.Second, 2000*time.Second)
		_, failed := crowd(c, 1, 50, d)
		at, _ := c.Next()
		u := c.Usage(at)
		require.InDelta(t, 0.3, u.Offered.Seconds()/at.Seconds(), 0.03, "%+v", b)
		if b.Hidden {
			require.Zero(t, failed)
			continue
		}
		require.Greater(t, u.Others.Seconds(), 0.15*at.Seconds())
		require.Greater(t, failed, 0.0)
		require.Less(t, failed, 0.3)
	}
}

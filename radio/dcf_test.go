package radio

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// saturated runs n saturated stations and returns the delivered share and the
// good broadcasts per second of all.
func saturated(t testing.TB, s Settings, n, payload int, d time.Duration, seed uint64) (delivered, perSecond float64, sent int) {
	c := profile(t, s).Channel(ChannelConfig{Stations: n, Stream: streams(seed)})
	lost := 0
	saturate(c, n, payload, d, func(e Event) {
		if e.Kind == Ended {
			sent++
			if e.Collided {
				lost++
			}
		}
	})
	return 1 - float64(lost)/float64(sent), float64(sent-lost) / d.Seconds(), sent
}

// One sender that always has the next broadcast ready: period = airtime with
// extension + DIFS + CW/2 slots, a closed form of the rules.
func TestOneSaturatedBroadcaster(t *testing.T) {
	for _, c := range []struct {
		s      Settings
		n      int
		period float64 // us
	}{
		{Settings{}, 60, 1376}, {Settings{}, 250, 2896},
		{Settings{Window: 15}, 60, 1216}, {Settings{Window: 15}, 250, 2736},
		{Settings{Rate: 6_000_000}, 60, 265.5}, {Settings{Rate: 6_000_000}, 250, 517.5},
		{Settings{Rate: 24_000_000}, 60, 157.5}, {Settings{Rate: 24_000_000}, 250, 221.5},
	} {
		d := time.Duration(c.period*250_000) * us
		delivered, perSecond, _ := saturated(t, c.s, 1, c.n, d, 1)
		require.Equal(t, 1.0, delivered)
		require.InEpsilon(t, 1e6/c.period, perSecond, 0.001, "%+v, %d bytes", c.s, c.n)
	}
}

// n saturated broadcasters within range of each other, 250 bytes at 1 Mbit/s,
// CW 31. The figures come from an independent Monte-Carlo of the same freeze
// rule (standard error of the shares at most 0.0005); the slot model of Bianchi
// 2000 with one stage gives 0.9394, 0.7787, 0.5697, 0.3049 for 2, 5, 10, 20.
func TestSaturatedBroadcasters(t *testing.T) {
	for _, c := range []struct {
		n                         int
		delivered, perSecond, eif float64
	}{
		{1, 1, 345.3, 1}, {2, 0.9397, 352.8, 0.9397}, {3, 0.8827, 348.1, 0.8850}, {5, 0.7794, 331.2, 0.7886},
		{10, 0.5726, 283.9, 0.6050}, {20, 0.3144, 203.1, 0.3976}, {50, 0.0694, 81.4, 0.2037},
	} {
		d := sized(200*time.Second, 2000*time.Second)
		delivered, perSecond, sent := saturated(t, Settings{}, c.n, 250, d, uint64(c.n))
		// Broadcasts that collide do so in twos and more, hence the factor.
		se := 2*shareError(c.delivered, sent) + 0.0005
		require.InDelta(t, c.delivered, delivered, 0.01*c.delivered+3*se, "n=%d", c.n)
		require.InDelta(t, c.perSecond, perSecond, (0.01+3*se/c.delivered)*c.perSecond, "n=%d", c.n)

		delivered, _, _ = saturated(t, Settings{EIFS: true}, c.n, 250, d, uint64(c.n))
		require.InDelta(t, c.eif, delivered, 0.01*c.eif+3*se, "EIFS, n=%d", c.n)
	}
}

// The delivered share against the window, from the same Monte-Carlo.
func TestDeliveredShareAgainstWindow(t *testing.T) {
	for window, row := range map[int][4]float64{
		3:  {0.600, 0.214, 0.108, 0.054},
		7:  {0.778, 0.389, 0.163, 0.078},
		15: {0.883, 0.610, 0.340, 0.128},
		31: {0.939, 0.779, 0.573, 0.314},
	} {
		for k, n := range []int{2, 5, 10, 20} {
			d := sized(100*time.Second, 2000*time.Second)
			delivered, _, sent := saturated(t, Settings{Window: window}, n, 250, d, uint64(window))
			tolerance := 0.01*row[k] + 0.0005 + 6*shareError(row[k], sent) // printed to three digits
			require.InDelta(t, row[k], delivered, tolerance, "CW %d, n=%d", window, n)
		}
	}
}

// Good broadcasts per second at 6 Mbit/s, slot 9 us, CW 15, 250 bytes, from the
// same Monte-Carlo.
func TestSaturatedBroadcastersOFDM(t *testing.T) {
	for n, want := range map[int]float64{2: 1929.7, 5: 1649.2, 10: 1203.6, 20: 688.3} {
		d := sized(40*time.Second, 800*time.Second)
		_, perSecond, sent := saturated(t, Settings{Rate: 6_000_000}, n, 250, d, uint64(n))
		p := want * d.Seconds() / float64(sent)
		require.InDelta(t, want, perSecond, want*(0.01+6*shareError(p, sent)/p), "n=%d", n)
	}
}

// The mean gap between good broadcasts of one of n saturated senders, from the
// same Monte-Carlo.
func TestGapBetweenGoodBroadcasts(t *testing.T) {
	for n, want := range map[int]float64{2: 5.67, 5: 15.1, 10: 35.2, 20: 98.5} {
		c := profile(t, Settings{}).Channel(ChannelConfig{Stations: n, Stream: streams(7)})
		last := make([]time.Duration, n)
		var gaps []float64
		saturate(c, n, 250, sized(200*time.Second, 2000*time.Second), func(e Event) {
			if e.Kind == Ended && !e.Collided {
				if last[e.Station] > 0 {
					gaps = append(gaps, float64(e.At-last[e.Station])/1e6)
				}
				last[e.Station] = e.At
			}
		})
		mean, se := meanOf(gaps)
		require.InDelta(t, want, mean, 0.005*want+4*se, "n=%d", n)
	}
}

// A lone sender with Poisson arrivals is an M/G/1 queue: its service is airtime,
// DIFS and backoff, since an arrival within them waits for their end and one
// after them finds an idle medium and no backoff. Pollaczek-Khinchine: the mean
// wait is rate x E[S^2] / (2 (1 - load)).
func TestLoneSenderWaitsAsMG1(t *testing.T) {
	for _, rate := range []float64{200, 400, 600} {
		c := profile(t, Settings{}).Channel(ChannelConfig{Stations: 1, Stream: streams(3)})
		waits, collided := traffic(c, 1, 60, rate, sized(400*time.Second, 4000*time.Second), streams(4)("arrivals", 0))
		const slot, mean = 20e-6, 1376e-6
		second := mean*mean + slot*slot*(32*32-1)/12.0
		want := rate * second / (2 * (1 - rate*mean))
		got, se := meanOf(waits)
		require.Zero(t, collided)
		require.InDelta(t, want, got, 4*se, "%v per second", rate)
	}
}

// The same with a fixed service is M/D/1: wait = load x S / (2 (1 - load)).
func TestFixedServiceWaitsAsMD1(t *testing.T) {
	for _, c := range []struct {
		service    time.Duration
		rate, want float64 // ms
	}{
		{1376 * us, 200, 0.261}, {1376 * us, 400, 0.842}, {1376 * us, 600, 3.257}, {2896 * us, 200, 1.993}, {2896 * us, 300, 9.589},
	} {
		ch := profile(t, Settings{Name: "ideal", Airtime: c.service}).Channel(ChannelConfig{Stations: 1})
		waits, _ := traffic(ch, 1, 8, c.rate, sized(1000*time.Second, 10000*time.Second), streams(5)("arrivals", 0))
		got, se := meanOf(waits)
		require.InDelta(t, c.want, got*1e3, 0.0005+4e3*se, "%v at %v per second", c.service, c.rate)
	}
}

// Without carrier sense n equal senders are pure ALOHA: P(ok) =
// exp(-2 (n-1) rate T) (Abramson 1970). That form lets a sender overlap itself;
// here it queues, so each other sender is off the air with 1 - rate T and stays
// so for T with exp(-rate T). With many senders of little traffic both agree.
func TestWithoutCarrierSenseItIsALOHA(t *testing.T) {
	for _, c := range []struct {
		n, payload int
		rate, form float64
	}{
		{5, 250, 20, 0.66647}, {10, 250, 20, 0.40133}, {5, 60, 50, 0.66604}, {10, 60, 50, 0.40076},
	} {
		p := profile(t, Settings{NoCarrierSense: true})
		air := p.Airtime(c.payload).Seconds()
		others, load := float64(c.n-1), c.rate*air
		require.InDelta(t, c.form, math.Exp(-2*others*load), 5e-6)

		d := sized(400*time.Second, 4000*time.Second)
		ch := p.Channel(ChannelConfig{Stations: c.n, Stream: streams(6)})
		waits, collided := traffic(ch, c.n, c.payload, c.rate, d, streams(7)("arrivals", c.n))
		exact := math.Pow((1-load)*math.Exp(-load), others)
		got := 1 - float64(collided)/float64(len(waits))
		require.InDelta(t, exact, got, 8*shareError(exact, len(waits)), "%+v", c)

		const split = 30
		n := int(others)*split + 1
		ch = p.Channel(ChannelConfig{Stations: n, Stream: streams(8)})
		waits, collided = traffic(ch, n, c.payload, c.rate/split, d, streams(9)("arrivals", c.n))
		got = 1 - float64(collided)/float64(len(waits))
		require.InDelta(t, c.form, got, 8*shareError(c.form, len(waits))+others*load*load/split, "%+v", c)
	}
}

// A lone saturated station occupies all of the time, and what it occupies holds
// airtime, extension, DIFS and backoff.
func TestUsageOfALoneStation(t *testing.T) {
	for _, s := range []Settings{{}, {Rate: 6_000_000}} {
		p := actionFrame(t, s)
		c := p.Channel(ChannelConfig{Stations: 1, Stream: streams(1)})
		begun := 0
		saturate(c, 1, 250, 100*time.Second, func(e Event) {
			if e.Kind == Began {
				begun++
			}
		})
		now, _ := c.Next() // the end of a broadcast or the begin of the next
		u := c.Usage(now)
		require.Equal(t, time.Duration(begun)*p.Airtime(250), u.Own[0])
		require.Equal(t, u.Own[0], u.Busy)
		idle := p.Access().DIFS + time.Duration(p.Access().Window)*p.Access().Slot
		require.InDelta(t, float64(now), float64(u.Occupied[0]), float64(p.Airtime(250)+idle))
		require.Zero(t, u.Others+u.Offered)
		u.Own[0] = 0
		require.NotZero(t, c.Usage(now).Own[0], "the slices belong to the caller")
	}
}

// Own is exact at any instant: what is on the air counts up to now.
func TestUsageCountsAFrameUnderWay(t *testing.T) {
	for _, s := range []Settings{{}, {Name: "ideal", Airtime: 2536 * us}} {
		c := profile(t, s).Channel(ChannelConfig{Stations: 2, Stream: streams(1)})
		c.Request(5*us, 1, 250)
		require.Equal(t, []Event{{At: 5 * us, Kind: Began, Station: 1, Until: 2541 * us}}, c.Advance(5*us, nil))
		u := c.Usage(105 * us)
		require.Equal(t, []time.Duration{0, 100 * us}, u.Own)
		require.Equal(t, 100*us, u.Busy)
		require.Equal(t, []uint64{0, 0}, u.Sent)
	}
}

func ExampleChannel() {
	p, _ := NewProfile(Settings{Name: "action-frame", Rate: 1_000_000})
	c := p.Channel(ChannelConfig{Stations: 2, Stream: streams(1)})
	c.Request(0, 0, 60)
	c.Request(0, 1, 60) // the medium is idle for both: they collide
	for at, ok := c.Next(); ok; at, ok = c.Next() {
		for _, e := range c.Advance(at, nil) {
			fmt.Println(e.At, e.Kind == Ended, e.Station, e.Collided)
		}
	}
	// Output:
	// 0s false 0 false
	// 0s false 1 false
	// 1.016ms true 0 true
	// 1.016ms true 1 true
}

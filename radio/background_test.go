package radio

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// delivered sends broadcasts far apart and returns the share that does not
// collide.
func delivered(c Channel, payload, count int) float64 {
	rng, ok := streams(11)("instants", 0), 0
	var events []Event
	var now time.Duration
	for range count {
		now += 20*time.Millisecond + time.Duration(rng.ExpFloat64()*float64(20*time.Millisecond))
		for asked, done := false, false; !done; {
			at, some := c.Next()
			if !asked && (!some || at > now) {
				c.Request(now, 0, payload)
				asked = true
				continue
			}
			events = c.Advance(at, events[:0])
			for _, e := range events {
				now = at
				if e.Kind == Ended {
					done = true
					if !e.Collided {
						ok++
					}
				}
			}
		}
	}
	return float64(ok) / float64(count)
}

// A neighbour that does not defer, on the air for B and silent for an
// exponential time of mean I: a broadcast of length T is untouched when it
// begins in the silence and the silence lasts, I/(B+I) x exp(-T/I).
func TestNonDeferringNeighbour(t *testing.T) {
	for _, c := range []struct {
		silence time.Duration
		payload int
		s       Settings
		air     time.Duration
		want    float64
	}{
		{9 * time.Millisecond, 250, Settings{}, 2536 * us, 0.679},
		{9 * time.Millisecond, 60, Settings{}, 1016 * us, 0.804},
		{9 * time.Millisecond, 60, Settings{Rate: 11_000_000, Preamble: "short"}, 171 * us, 0.883},
		{4 * time.Millisecond, 250, Settings{}, 2536 * us, 0.424},
	} {
		p := profile(t, c.s)
		require.Equal(t, c.air, p.Airtime(c.payload))
		u := 1 / (1 + c.silence.Seconds()*1e3)
		form := (1 - u) * math.Exp(-c.air.Seconds()/c.silence.Seconds())
		require.InDelta(t, c.want, form, 0.0006)

		n := sized(40_000, 1_000_000)
		ch := p.Channel(ChannelConfig{Stations: 1, Stream: streams(2),
			Background: []Background{{Share: u, Frame: time.Millisecond, Hidden: true}}})
		require.InDelta(t, form, delivered(ch, c.payload, n), 4*shareError(form, n), "%+v", c)
	}
}

// A sender with more to send than the air can carry is one more contender: the
// figures of saturated broadcasters, one of them in the background.
func TestSaturatedBackgroundIsOneMoreContender(t *testing.T) {
	for n, want := range map[int]float64{2: 0.9397, 5: 0.7794, 10: 0.5726} {
		c := profile(t, Settings{}).Channel(ChannelConfig{Stations: n - 1, Stream: streams(3),
			Background: []Background{{Share: 1, Frame: 2536 * us}}})
		sent, lost := 0, 0
		saturate(c, n-1, 250, sized(200*time.Second, 2000*time.Second), func(e Event) {
			if e.Kind == Ended {
				sent++
				if e.Collided {
					lost++
				}
			}
		})
		require.InDelta(t, want, 1-float64(lost)/float64(sent), 0.01*want+6*shareError(want, sent), "n=%d", n)
	}
}

// What a background sender offers is its share of the time, in single frames
// and in bursts, and it gets it when the medium has room. For n bursts of
// geometric length with mean m the sum of frames has a variance of at most
// 2 n m^2.
func TestBackgroundGetsItsShare(t *testing.T) {
	const frame = time.Millisecond
	for _, b := range []Background{
		{Share: 0.3, Frame: frame}, {Share: 0.3, Frame: frame, BurstFrames: 8}, {Share: 0.5, Frame: frame, Window: 7},
		{Share: 0.3, Frame: frame, Hidden: true}, {Share: 0.3, Frame: frame, Hidden: true, BurstFrames: 8}, {Share: 0.6, Frame: frame, Deaf: true},
	} {
		c := profile(t, Settings{}).Channel(ChannelConfig{Stations: 1, Background: []Background{b}, Stream: streams(4)})
		d := sized(500*time.Second, 10_000*time.Second)
		for at, _ := c.Next(); at <= d; at, _ = c.Next() {
			require.Empty(t, c.Advance(at, nil))
		}
		u := c.Usage(d)
		mean := max(1, b.BurstFrames)
		bursts := b.Share * d.Seconds() / (mean * frame.Seconds())
		tolerance := 4 * b.Share * math.Sqrt(2/bursts)
		require.InDelta(t, b.Share, u.Others.Seconds()/d.Seconds(), tolerance, "%+v", b)
		require.InDelta(t, b.Share, u.Offered.Seconds()/d.Seconds(), tolerance, "%+v", b)
		require.GreaterOrEqual(t, u.Offered+frame, u.Others)
		require.Equal(t, u.Others, u.Busy, "one sender does not overlap itself")
	}
}

// A smaller window wins more of the medium.
func TestWindowOfABackgroundSender(t *testing.T) {
	share := func(window int) float64 {
		c := profile(t, Settings{}).Channel(ChannelConfig{Stations: 1, Stream: streams(5),
			Background: []Background{{Share: 1, Frame: 2536 * us, Window: window}}})
		saturate(c, 1, 250, 20*time.Second, nil)
		at, _ := c.Next()
		u := c.Usage(at)
		return u.Others.Seconds() / (u.Others + u.Own[0]).Seconds()
	}
	require.InDelta(t, 0.5, share(31), 0.01)
	require.InDelta(t, 0.5, share(0), 0.01, "0 is the window of the profile")
	require.Greater(t, share(7), 0.7)
}

// Outside its span a sender is silent; what it has not sent by then is dropped.
func TestBackgroundSpan(t *testing.T) {
	for _, b := range []Background{{}, {Hidden: true}, {BurstFrames: 1000}} {
		b.Share, b.Frame, b.From, b.Until = 1, time.Millisecond, time.Second, 3*time.Second
		c := profile(t, Settings{}).Channel(ChannelConfig{Stations: 2, Stream: streams(6), Background: []Background{b}})
		var before, within time.Duration
		saturateUsage(c, 2, []time.Duration{time.Second, 3*time.Second + time.Millisecond, 6 * time.Second}, func(k int, u Usage) {
			switch k {
			case 0:
				before = u.Others
			case 1:
				within = u.Others
			case 2:
				require.Equal(t, within, u.Others, "%+v", b)
			}
		})
		require.Zero(t, before)
		require.Greater(t, within, 100*time.Millisecond, "%+v", b)
	}
}

// saturateUsage saturates the stations and gives the usage at the instants.
func saturateUsage(c Channel, stations int, at []time.Duration, give func(int, Usage)) {
	for i := range stations {
		c.Request(0, i, 60)
	}
	for k := 0; k < len(at); {
		next, _ := c.Next()
		if next > at[k] {
			give(k, c.Usage(at[k]))
			k++
			continue
		}
		for _, e := range c.Advance(next, nil) {
			if e.Kind == Ended {
				c.Request(next, e.Station, 60)
			}
		}
	}
}

// Reading the usage changes nothing, and equal streams give equal happenings.
func TestChannelIsDeterministic(t *testing.T) {
	run := func(read bool) (all []Event, last Usage) {
		c := profile(t, Settings{}).Channel(ChannelConfig{Stations: 3, Stream: streams(7), Background: []Background{
			{Share: 0.4, Frame: time.Millisecond, BurstFrames: 4}, {Share: 0.1, Frame: 300 * us, Hidden: true}}})
		saturate(c, 3, 40, 5*time.Second, func(e Event) {
			all = append(all, e)
			if read {
				c.Usage(e.At)
			}
		})
		at, _ := c.Next()
		return all, c.Usage(at)
	}
	first, usage := run(false)
	again, usageAgain := run(true)
	require.Equal(t, first, again)
	require.Equal(t, usage, usageAgain)
	require.Greater(t, len(first), 1000)
}

func TestBackgroundMistakes(t *testing.T) {
	for _, c := range []struct {
		b    Background
		want string
	}{
		{Background{}, ""},
		{Background{Share: 1, Frame: us}, ""},
		{Background{Share: math.NaN()}, "share: NaN, want a share from 0 to 1\nframe: 0s, want a time from 1µs to 1h0m0s"},
		{Background{Share: 0.5}, "frame: 0s, want a time from 1µs to 1h0m0s"},
		{Background{BurstFrames: 0.5, Window: -1, Power: math.Inf(1), From: -1, Until: -2},
			"bursts: 0.5, want a mean of 1 to 1000000 frames\nwindow: -1, want 1 to 1023 slots\npower: +Inf, want a level in dB\n" +
				"from: -1ns, want a time of 0 or more\nuntil: -2ns, want a time after from (-1ns), or none"},
	} {
		if err := c.b.Check(); c.want == "" {
			require.NoError(t, err)
		} else {
			require.EqualError(t, err, c.want)
		}
	}
	require.EqualError(t, ChannelConfig{Stations: 2, Power: []float64{1}, Background: []Background{{Name: "yard", Share: 2, Frame: us}}}.Check(),
		"power: 1 levels, want one for each of 2 stations\nbackground \"yard\": share: 2, want a share from 0 to 1")
}

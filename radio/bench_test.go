package radio

import (
	"fmt"
	"testing"
	"time"
)

// One transmission on a saturated medium, access, collisions and all.
func BenchmarkSaturatedChannel(b *testing.B) {
	for _, n := range []int{1, 2, 8, 32} {
		b.Run(fmt.Sprintf("stations=%d", n), func(b *testing.B) {
			c := profile(b, Settings{}).Channel(ChannelConfig{Stations: n, Stream: streams(1)})
			benchmark(b, c, n, 250)
		})
	}
}

// The same on the other media: the cost of a transmission grows with the senders
// that are looked at, about linearly.
func BenchmarkMedia(b *testing.B) {
	for _, s := range []Settings{{Name: nameLowRate}, {Name: nameLegacy}, {Name: nameExtended}, {Name: nameGFSK}} {
		for _, n := range []int{2, 8, 32} {
			b.Run(fmt.Sprintf("%s/stations=%d", s.Name, n), func(b *testing.B) {
				c := profile(b, s).Channel(ChannelConfig{Stations: n, Stream: streams(1)})
				benchmark(b, c, n, 20)
			})
		}
	}
}

// The same with 1023 slots of window: the cost does not depend on the slots.
func BenchmarkSaturatedChannelWideWindow(b *testing.B) {
	c := profile(b, Settings{Window: 1023}).Channel(ChannelConfig{Stations: 2, Stream: streams(1)})
	benchmark(b, c, 2, 250)
}

// One station with a neighbour of 15 % in bursts.
func BenchmarkChannelWithBackground(b *testing.B) {
	c := profile(b, Settings{}).Channel(ChannelConfig{Stations: 1, Stream: streams(1),
		Background: []Background{{Share: 0.15, Frame: time.Millisecond, BurstFrames: 3}}})
	benchmark(b, c, 1, 250)
}

// The ideal profile.
func BenchmarkIdealChannel(b *testing.B) {
	c := profile(b, Settings{Name: "ideal", Airtime: time.Millisecond}).Channel(ChannelConfig{Stations: 1})
	benchmark(b, c, 1, 250)
}

// benchmark makes b.N transmissions.
func benchmark(b *testing.B, c Channel, stations, n int) {
	for i := range stations {
		c.Request(0, i, n)
	}
	events := make([]Event, 0, 2*stations)
	b.ReportAllocs()
	b.ResetTimer()
	for done := 0; done < b.N; {
		at, _ := c.Next()
		events = c.Advance(at, events[:0])
		for _, e := range events {
			if e.Kind == Ended || e.Kind == AccessFailed {
				c.Request(at, e.Station, n)
				done++
			}
		}
	}
}

// One question every 20 ms.
func BenchmarkHear(b *testing.B) {
	for name, w := range map[string]Weather{
		"clear":      {},
		"bursts":     {Loss: 0.1, Burst: 50 * ms},
		"bit-errors": {Loss: 0.1, Burst: 50 * ms, GoodBitErrors: 1e-6, BadBitErrors: 1e-4, BitRate: 1e6},
	} {
		b.Run(name, func(b *testing.B) {
			f := NewFading(w, streams(1)("weather", 0), 1)
			b.ReportAllocs()
			for k := range b.N {
				at := time.Duration(k) * 20 * ms
				f.Hear(at, at+ms)
			}
		})
	}
}

// Hot paths allocate nothing.
func TestNoAllocations(t *testing.T) {
	c := profile(t, Settings{}).Channel(ChannelConfig{Stations: 8, Stream: streams(1),
		Background: []Background{{Share: 0.2, Frame: ms, BurstFrames: 3}, {Share: 0.1, Frame: ms, Hidden: true}}})
	for i := range 8 {
		c.Request(0, i, 60)
	}
	events := make([]Event, 0, 16)
	f := NewFading(Weather{Loss: 0.1, Burst: ms, GoodBitErrors: 1e-5, BadBitErrors: 1e-4, BitRate: 1e6}, streams(1)("weather", 0), 1)
	var now time.Duration
	if n := testing.AllocsPerRun(2000, func() {
		at, _ := c.Next()
		events = c.Advance(at, events[:0])
		for _, e := range events {
			if e.Kind == Ended {
				c.Request(at, e.Station, 60)
			}
		}
		now += 10 * ms
		f.Hear(now, now+20*ms)
	}); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
}

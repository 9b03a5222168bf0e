package radio

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The bounds 44 us (2M, empty) and 2120 us (1M, 255 bytes) from lecture notes on
// the link layer, 328 us (1M, 31 bytes) from the constants of an open-source
// one, 376, 1064, 4542, 17040 us recomputed from the fields of the Bluetooth
// Core specification, Volume 6 Part B 2.
func TestBluetoothPacketTimes(t *testing.T) {
	for _, c := range []struct {
		rate, payload int
		want          time.Duration
	}{
		{2_000_000, 0, 44 * us}, {1_000_000, 31, 328 * us}, {1_000_000, 37, 376 * us}, {1_000_000, 255, 2120 * us},
		{2_000_000, 255, 1064 * us}, {500_000, 255, 4542 * us}, {125_000, 255, 17040 * us},
		{1_000_000, 0, 80 * us}, {500_000, 0, 462 * us}, {125_000, 0, 720 * us}, {1_000_000, 7, 136 * us}, {125_000, 7, 1168 * us},
	} {
		require.Equal(t, c.want, packetTime(c.rate, c.payload), "%+v", c)
	}
}

// Legacy events are three packets; extended ones three pointers and one
// auxiliary packet, its times recomputed.
func TestAdvertisingAirtimes(t *testing.T) {
	legacy := profile(t, Settings{Name: nameLegacy}).(*Advertising)
	require.Equal(t, 31, legacy.MaxPayload())
	require.Equal(t, 1128*us, legacy.Airtime(31))
	require.Equal(t, 1428*us, legacy.Span(31))
	require.Equal(t, 27, profile(t, Settings{Name: nameLegacy, Format: "manufacturer-specific"}).MaxPayload())
	require.Equal(t, 1128*us, profile(t, Settings{Name: nameLegacy, Format: "manufacturer-specific"}).Airtime(27))

	for rate, row := range map[int][4]time.Duration{
		1_000_000: {408, 960, 1760, 2120}, 2_000_000: {208, 484, 884, 1064},
		500_000: {1118, 2222, 3822, 4542}, 125_000: {3344, 7760, 14160, 17040},
	} {
		p := profile(t, Settings{Name: nameExtended, Rate: rate}).(*Advertising)
		require.Equal(t, 245, p.MaxPayload())
		pointer := 136 * us
		if rate < 1_000_000 {
			pointer = 1168 * us
		}
		for k, n := range []int{31, 100, 200, 245} {
			require.Equal(t, 3*pointer+row[k]*us, p.Airtime(n), "%d bit/s, %d bytes", rate, n)
		}
	}
	mixed := profile(t, Settings{Name: nameExtended, Rate: 2_000_000, PrimaryRate: 125_000})
	require.Equal(t, 3*1168*us+208*us, mixed.Airtime(31))
}

// One event of each kind, packet by packet.
func TestAdvertisingEvent(t *testing.T) {
	trace := func(s Settings, n int) (out []string) {
		c := profile(t, s).Channel(ChannelConfig{Stations: 1, Stream: streams(1)})
		c.Request(0, 0, n)
		start, _ := c.Next()
		for ended := false; !ended; {
			at, _ := c.Next()
			for _, e := range c.Advance(at, nil) {
				line := fmt.Sprintf("%d %v", (e.At - start).Microseconds(), e.Kind)
				if e.Until > 0 {
					line += fmt.Sprintf(" until %d", (e.Until - start).Microseconds())
				}
				if e.Pointer {
					line += ", points"
				}
				out = append(out, line)
				ended = e.Kind == Ended
			}
		}
		return out
	}
	require.Equal(t, []string{
		"0 begins until 1428", "0 packet begins until 376", "376 packet ends", "526 packet begins until 902", "902 packet ends",
		"1052 packet begins until 1428", "1428 packet ends", "1428 ends",
	}, trace(Settings{Name: nameLegacy}, 31))
	require.Equal(t, []string{
		"0 begins until 1116", "0 packet begins until 136, points", "136 packet ends, points",
		"286 packet begins until 422, points", "422 packet ends, points", "572 packet begins until 708, points", "708 packet ends, points",
		"1008 packet begins until 1116", "1116 packet ends", "1116 ends",
	}, trace(Settings{Name: nameExtended, Rate: 2_000_000}, 6))
}

// repeat drives a medium of advertisers that always have something to send,
// content of n bytes, and shows every event.
func repeat(c Channel, n int, until time.Duration, each func(Event)) {
	var events []Event
	for {
		at, ok := c.Next()
		if !ok || at > until {
			return
		}
		events = c.Advance(at, events[:0])
		for _, e := range events {
			if e.Kind == Opened {
				c.Request(at, e.Station, n)
			}
			each(e)
		}
	}
}

// Events are advInterval plus 0 to 10 ms apart, and a silent station is asked
// each time.
func TestAdvertisingIntervals(t *testing.T) {
	p := profile(t, Settings{Name: nameLegacy, Interval: 20 * ms})
	c := p.Channel(ChannelConfig{Stations: 1, Stream: streams(1)})
	var last time.Duration
	var gaps []float64
	d := sized(100*time.Second, 1000*time.Second)
	opened := 0
	repeat(c, 31, d, func(e Event) {
		if e.Kind == Opened {
			opened++
		}
		if e.Kind != Began {
			return
		}
		if last > 0 {
			gaps = append(gaps, (e.At - last).Seconds())
			require.GreaterOrEqual(t, e.At-last, 20*ms)
			require.LessOrEqual(t, e.At-last, 30*ms)
		}
		last = e.At
	})
	mean, se := meanOf(gaps)
	require.InDelta(t, 25e-3, mean, 4*se)
	require.Equal(t, len(gaps)+1, opened)
	u := c.Usage(d)
	require.InDelta(t, d.Seconds(), u.Occupied[0].Seconds(), 0.061)
	require.InDelta(t, 1128e-6*float64(u.Sent[0]), u.Own[0].Seconds(), 1128e-6)
	require.InDelta(t, Overview(p, 31).PerSecond, float64(u.Sent[0])/d.Seconds(), 4*se/25e-3*40+0.05)
}

// Looked at from a random instant, such as the begin of a run, the next event comes
// by the stationary law of renewals with gaps of 20 to 30 ms: after E g^2 / (2 E g)
// = 12.667 ms in the mean, and after more than 20 ms in one of five cases.
func TestFirstAdvertisingEvent(t *testing.T) {
	p := profile(t, Settings{Name: nameLegacy, Interval: 20 * ms})
	var first []float64
	late, n := 0.0, 20_000
	for seed := range uint64(n) {
		at, _ := p.Channel(ChannelConfig{Stations: 1, Stream: streams(seed)}).Next()
		if first = append(first, at.Seconds()*1e3); at > 20*ms {
			late++
		}
	}
	mean, se := meanOf(first)
	require.InDelta(t, 12.667, mean, 4*se)
	require.InDelta(t, 0.2, late/float64(n), 4*shareError(0.2, n))
}

// A request waits for the next event of its station; one made at Opened is
// sent at that very instant; without one the event stays silent.
func TestRequestsBetweenAndAtAdvertisingEvents(t *testing.T) {
	c := profile(t, Settings{Name: nameLegacy}).Channel(ChannelConfig{Stations: 1, Stream: streams(1)})
	first, _ := c.Next()
	require.Equal(t, []Event{{At: first, Kind: Opened}}, c.Advance(first, nil))
	same, _ := c.Next()
	require.Equal(t, first, same)
	require.Empty(t, c.Advance(first, nil), "nothing came")

	second, _ := c.Next()
	require.Greater(t, second, first)
	c.Request(second-ms, 0, 10)
	require.Panics(t, func() { c.Request(second-ms, 0, 10) })
	require.Equal(t, Began, c.Advance(second, nil)[0].Kind, "no question when there is an answer")
	for kind := Began; kind != Ended; {
		at, _ := c.Next()
		events := c.Advance(at, nil)
		kind = events[len(events)-1].Kind
	}
	third, _ := c.Next()
	require.Equal(t, Opened, c.Advance(third, nil)[0].Kind)
	c.Request(third, 0, 11)
	at, _ := c.Next()
	require.Equal(t, third, at)
	require.Equal(t, Began, c.Advance(third, nil)[0].Kind)
	require.Panics(t, func() { c.Request(third, 1, 10) })
}

// n advertisers: a packet is untouched when no other station begins within one
// packet before or after on its channel: (1 - 2 T / (advInterval + 5 ms))^(n-1),
// a closed form of the renewal process. A legacy event of equal packets is lost
// as a whole when the same offset hits all three.
func TestAdvertisersCollide(t *testing.T) {
	for _, n := range []int{2, 5, 10, 20} {
		p := profile(t, Settings{Name: nameLegacy, Interval: 20 * ms})
		c := p.Channel(ChannelConfig{Stations: n, Stream: streams(uint64(n))})
		form := math.Pow(1-2*0.376/25, float64(n-1))
		packets, good, events, lost := 0, 0, 0, 0
		repeat(c, 31, sized(4000*time.Second, 40_000*time.Second)/time.Duration(n*n), func(e Event) {
			switch e.Kind {
			case PacketEnded:
				if packets++; !e.Collided {
					good++
				}
			case Ended:
				if events++; e.Collided {
					lost++
				}
			}
		})
		require.InDelta(t, form, float64(good)/float64(packets), 8*shareError(form, events), "n=%d", n)
		require.InDelta(t, 1-form, float64(lost)/float64(events), 8*shareError(form, events), "n=%d", n)
	}
}

// Auxiliary packets go to 37 channels: two stations meet on one of them with
// 1/37 of the chance of the same packets on one channel. Events that begin
// within one pointer of 136 us of each other lose all pointers, and with them
// the auxiliary packets, wherever those are.
func TestAuxiliaryPacketsSpread(t *testing.T) {
	p := profile(t, Settings{Name: nameExtended, Interval: 20 * ms})
	c := p.Channel(ChannelConfig{Stations: 2, Stream: streams(3)})
	var seen [37]int
	packets, lost := 0, 0
	repeat(c, 245, sized(1000*time.Second, 10_000*time.Second), func(e Event) {
		if e.Kind == PacketEnded && !e.Pointer {
			seen[e.Channel]++
			if packets++; e.Collided {
				lost++
			}
		}
	})
	form := 2*0.136/25 + 2*(2.120-0.136)/25/37
	require.InDelta(t, form, float64(lost)/float64(packets), 8*shareError(form, packets))
	for k, n := range seen {
		require.InDelta(t, 1.0/37, float64(n)/float64(packets), 4*shareError(1.0/37, packets), "channel %d", k)
	}
}

// A background sender hits the packets of every channel.
func TestAdvertisingBackground(t *testing.T) {
	p := profile(t, Settings{Name: nameLegacy, Interval: 20 * ms})
	c := p.Channel(ChannelConfig{Stations: 1, Stream: streams(4), Background: []Background{{Share: 0.1, Frame: ms, Hidden: true}}})
	packets, good := 0, 0
	repeat(c, 31, sized(1000*time.Second, 10_000*time.Second), func(e Event) {
		if e.Kind == PacketEnded {
			if packets++; !e.Collided {
				good++
			}
		}
	})
	form := 0.9 * math.Exp(-0.376/9)
	require.InDelta(t, form, float64(good)/float64(packets), 8*shareError(form, packets))
}

func TestAdvertisingMistakes(t *testing.T) {
	for _, c := range []struct {
		s    Settings
		want string
	}{
		{Settings{Name: nameLegacy, Interval: 10 * ms}, "interval: 10ms, want a time from 20ms to 10.24s"},
		{Settings{Name: nameLegacy, Interval: 100*ms + 1}, "interval: 100.000001ms, want a multiple of 625µs"},
		{Settings{Name: nameLegacy, Rate: 2_000_000, Spacing: 20 * ms}, "spacing: 20ms, want a time from 1µs to 10ms\nrate: given, want nothing: the profile ble-legacy has no such setting"},
		{Settings{Name: nameLegacy, Spacing: 9700 * us}, "spacing: 9.7ms, want at most 9.624ms: the packets of an event begin at most 10ms apart"},
		{Settings{Name: nameExtended, Rate: 3_000_000, PrimaryRate: 2_000_000},
			"rate: 3Mbit/s, want one of 1Mbit/s, 2Mbit/s, 500kbit/s, 125kbit/s\nprimary_rate: 2Mbit/s, want one of 1Mbit/s, 125kbit/s"},
		{Settings{Name: nameExtended, Rate: 125_000, Interval: 20 * ms}, "interval: 20ms, want at least the 21.144ms that the longest event takes"},
		{Settings{Name: nameLowRate, Addressing: "8-bit", BackoffExponent: 9, MaxBackoffExponent: 2, Assessments: 7},
			"addressing: \"8-bit\", want one of 16-bit, none, 64-bit\nbackoff_exponent: 9, want 1 to 8\nmax_backoff_exponent: 2, want 3 to 8\nassessments: 7, want 1 to 6"},
		{Settings{Name: nameLowRate, BackoffExponent: 5, MaxBackoffExponent: 4}, "max_backoff_exponent: 4, want at least backoff_exponent"},
		{Settings{Name: nameGFSK, Rate: 3_000_000, AddressBytes: 2, ChecksumBytes: 3, Duty: 2, DutyRule: "hope"},
			"rate: 3Mbit/s, want one of 1Mbit/s, 250kbit/s, 2Mbit/s\naddress_bytes: 2, want 3 to 5 bytes\nchecksum_bytes: 3, want 1 to 2 bytes\n" +
				"duty_rule: \"hope\", want one of wait, drop\nduty: 2, want a share from 0.000001 to 1"},
		{Settings{Name: nameLoRa, SpreadingFactor: 6, Bandwidth: 1, CodingRate: "5/4", PreambleSymbols: 5, LowDataRate: "x", SubBand: "y", Capture: -1},
			"spreading_factor: 6, want 7 to 12\npreamble_symbols: 5, want 6 to 65535 symbols\nbandwidth: 1Hz, want one of 125000Hz, 250000Hz, 500000Hz\n" +
				"coding_rate: \"5/4\", want one of 4/5, 4/6, 4/7, 4/8\nlow_data_rate: \"x\", want one of auto, on, off\n" +
				"sub_band: \"y\", want one of 863-865, 868.0-868.6, 868.7-869.2, 869.4-869.65, 869.7-870.0, none\ncapture: -1, want a power difference in dB, 0 or more"},
	} {
		require.EqualError(t, c.s.Check(), c.want)
	}
}

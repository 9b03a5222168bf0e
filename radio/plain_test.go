package radio

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Time on air of a generic GFSK packet, recomputed from the fields of a
// transceiver data sheet.
func TestGFSKAirtimes(t *testing.T) {
	for _, c := range []struct {
		n, address, checksum int
		want                 [3]float64 // us at 250 kbit/s, 1 and 2 Mbit/s
	}{
		{32, 5, 2, [3]float64{1316, 329, 164.5}}, {32, 3, 1, [3]float64{1220, 305, 152.5}},
		{8, 5, 2, [3]float64{548, 137, 68.5}}, {1, 3, 1, [3]float64{228, 57, 28.5}},
	} {
		for k, rate := range []int{250_000, 1_000_000, 2_000_000} {
			p := profile(t, Settings{Name: nameGFSK, Rate: rate, AddressBytes: c.address, ChecksumBytes: c.checksum})
			require.Equal(t, time.Duration(c.want[k]*1000), p.Airtime(c.n))
		}
	}
}

// One way, 130 us of start-up before each packet: 692, 2179, 3396 packets of 32
// bytes per second. A lone station reaches exactly that.
func TestGFSKPacketsPerSecond(t *testing.T) {
	for rate, want := range map[int]float64{250_000: 692, 1_000_000: 2179, 2_000_000: 3396} {
		p := profile(t, Settings{Name: nameGFSK, Rate: rate})
		require.InDelta(t, want, Overview(p, 32).PerSecond, 0.5)
		sent := 0
		saturate(p.Channel(ChannelConfig{Stations: 1}), 1, 32, 10*time.Second, func(e Event) {
			if e.Kind == Ended {
				sent++
			}
		})
		require.InDelta(t, 10*want, sent, 5)
	}
}

// 17 times on air printed by others: a public spreadsheet of AN1200.13, a radio
// engineering page, and the test vectors of two open-source libraries, the
// latter from the modem maker's calculator. All to the microsecond.
func TestLoRaTimesOnAir(t *testing.T) {
	for _, c := range []struct {
		n, sf, khz   int
		coding       string
		preamble     int
		crc, implict bool
		slow         string
		ms           float64
	}{
		{10, 7, 125, "4/5", 8, true, false, "auto", 41.216},
		{10, 11, 125, "4/5", 8, true, false, "auto", 577.536},
		{13, 9, 125, "4/5", 8, true, false, "auto", 164.864},
		{64, 12, 125, "4/5", 8, true, false, "off", 2465.792},
		{64, 12, 125, "4/5", 8, true, false, "auto", 2793.472},
		{255, 7, 500, "4/5", 8, true, false, "off", 99.904},
		{255, 7, 500, "4/5", 8, true, false, "on", 137.024},
		{1, 12, 500, "4/5", 8, true, false, "auto", 206.848},
		{64, 12, 500, "4/5", 12, true, false, "auto", 649.216},
		{1, 12, 500, "4/5", 8, false, false, "auto", 165.888},
		{192, 12, 500, "4/5", 8, true, false, "auto", 1476.608},
		{16, 12, 500, "4/5", 12, false, true, "auto", 280.576},
		{1, 8, 125, "4/6", 8, true, false, "auto", 53.760},
		{3, 8, 125, "4/6", 8, true, false, "auto", 66.048},
		{253, 8, 125, "4/6", 8, true, false, "auto", 827.904},
		{10, 8, 125, "4/6", 12, true, true, "auto", 86.528},
		{253, 8, 125, "4/6", 12, true, true, "auto", 823.808},
	} {
		p := profile(t, Settings{Name: nameLoRa, SpreadingFactor: c.sf, Bandwidth: c.khz * 1000, CodingRate: c.coding,
			PreambleSymbols: c.preamble, NoChecksum: !c.crc, ImplicitHeader: c.implict, LowDataRate: c.slow})
		require.Equal(t, math.Round(c.ms*1000), float64(p.Airtime(c.n))/1000, "%+v", c)
	}
}

// Recomputed: 125 kHz, 4/5, preamble 8, explicit header, check sequence; the
// optimisation sets in at a symbol of 16 ms.
func TestLoRaTableAt125kHz(t *testing.T) {
	for n, row := range map[int][6]float64{
		8:  {36.096, 72.192, 123.904, 247.808, 495.616, 991.232},
		10: {41.216, 72.192, 144.384, 288.768, 577.536, 991.232},
		20: {56.576, 102.912, 185.344, 370.688, 741.376, 1318.912},
		51: {102.656, 184.832, 328.704, 616.448, 1314.816, 2465.792},
		64: {118.016, 215.552, 390.144, 698.368, 1560.576, 2793.472},
	} {
		for k, want := range row {
			p := profile(t, Settings{Name: nameLoRa, SpreadingFactor: 7 + k})
			require.Equal(t, math.Round(want*1000), float64(p.Airtime(n))/1000, "%d bytes, SF%d", n, 7+k)
		}
	}
	preamble, perSecond := profile(t, Settings{Name: nameLoRa}).Signal()
	require.Equal(t, 12544*us, preamble) // 12.25 symbols
	require.InDelta(t, 5468.75, perSecond, 1e-9)
}

// 20 bytes at 1 %: 636, 349, 194, 97, 48, 27 packets an hour for SF7 to 12,
// recomputed. A lone station that always has the next one sends just so many,
// the first at once.
func TestLoRaDutyCycle(t *testing.T) {
	for k, want := range []int{636, 349, 194, 97, 48, 27} {
		p := profile(t, Settings{Name: nameLoRa, SpreadingFactor: 7 + k})
		require.Equal(t, want, int(3600*Overview(p, 20).PerSecond))
		c := p.Channel(ChannelConfig{Stations: 1})
		begun := 0
		saturate(c, 1, 20, time.Hour, func(e Event) {
			if e.Kind == Began {
				begun++
			}
		})
		require.Equal(t, want+1, begun)
		u := c.Usage(time.Hour)
		require.InDelta(t, 0.01, u.Own[0].Seconds()/3600, 1.5*p.Airtime(20).Seconds()/3600)
		require.LessOrEqual(t, u.Own[0]-p.Airtime(20), 36*time.Second)
	}
}

// The silence that a duty limit imposes occupies the station while it lasts, and no
// longer than it has lasted: a station that always sends is occupied all of the time.
func TestSilenceCountsAsItPasses(t *testing.T) {
	p := profile(t, Settings{Name: nameLoRa})
	silence := 100 * p.Airtime(20)
	for _, until := range []time.Duration{p.Airtime(20) / 2, p.Airtime(20), silence / 2, silence, 5*silence + silence/3} {
		c := p.Channel(ChannelConfig{Stations: 1})
		saturate(c, 1, 20, until, func(Event) {})
		u := c.Usage(until)
		require.LessOrEqual(t, u.Occupied[0], until)
		require.InDelta(t, until.Seconds(), u.Occupied[0].Seconds(), 0.001, "but for the start-up")
	}
}

// The duty limit waits or drops.
func TestDutyRule(t *testing.T) {
	s := Settings{Name: nameGFSK, Duty: 0.1} // 8 bytes take 137 us, the next may begin 1370 us after
	both(t, func() Channel { return profile(t, s).Channel(ChannelConfig{Stations: 1}) },
		[]ask{{0, 0, 8}, {300 * us, 0, 8}, {4000 * us, 0, 8}},
		"130 0 begins", "267 0 ends", "1500 0 begins", "1637 0 ends", "4130 0 begins", "4267 0 ends")
	s.DutyRule = "drop"
	c := profile(t, s).Channel(ChannelConfig{Stations: 1})
	c.Request(0, 0, 8)
	var events []Event
	for at, ok := c.Next(); ok; at, ok = c.Next() {
		events = append(events, c.Advance(at, nil)...)
	}
	c.Request(300*us, 0, 8)
	at, ok := c.Next()
	require.True(t, ok)
	require.Equal(t, []Event{{At: 300 * us, Kind: AccessFailed}}, c.Advance(at, nil))
	c.Request(1370*us, 0, 8)
	at, _ = c.Next()
	require.Equal(t, []Event{{At: 1500 * us, Kind: Began, Until: 1637 * us}}, c.Advance(at, nil))
	require.Len(t, events, 2)
}

// Senders that do not listen are pure ALOHA: P(ok) = exp(-2 (n-1) rate T)
// (Abramson 1970), where a sender that queues is off the air with 1 - rate T, and
// stays so for T with exp(-rate T). The form for senders that queue is exact up to the
// time in which the start-up of the next packet lies behind the last.
func TestPlainSendersAreALOHA(t *testing.T) {
	for _, c := range []struct {
		s       Settings
		n, size int
		rate    float64
	}{
		{Settings{Name: nameGFSK, Rate: 250_000}, 5, 32, 20}, {Settings{Name: nameGFSK, Rate: 250_000}, 10, 32, 20},
		{Settings{Name: nameGFSK}, 20, 8, 20},
		{Settings{Name: nameLoRa, SubBand: "none"}, 5, 20, 0.4}, {Settings{Name: nameLoRa, SubBand: "none"}, 10, 20, 0.4},
	} {
		p := profile(t, c.s)
		load := c.rate * p.Airtime(c.size).Seconds()
		d := time.Duration(float64(sized(20_000, 200_000)) / c.rate / float64(c.n) * 1e9)
		waits, collided := traffic(p.Channel(ChannelConfig{Stations: c.n}), c.n, c.size, c.rate, d, streams(7)("arrivals", c.n))
		form := math.Exp(-2 * float64(c.n-1) * load)
		exact := math.Pow((1-load)*math.Exp(-load), float64(c.n-1))
		got := 1 - float64(collided)/float64(len(waits))
		require.InDelta(t, exact, got, 8*shareError(exact, len(waits)), "%+v", c)
		require.InDelta(t, form, got, 8*shareError(form, len(waits))+float64(c.n)*load*load, "%+v", c)
	}
}

// A hidden neighbour that sends for B and is silent for a mean of I leaves a
// packet of length T untouched with I/(B+I) exp(-T/I).
func TestPlainBackground(t *testing.T) {
	p := profile(t, Settings{Name: nameGFSK, Rate: 250_000}) // 32 bytes: 1316 us
	for _, hidden := range []bool{true, false} {
		b := Background{Share: 0.1, Frame: ms, Hidden: hidden, Deaf: true}
		form := 0.9 * math.Exp(-1316e-6/9e-3)
		n := sized(20_000, 200_000)
		c := p.Channel(ChannelConfig{Stations: 1, Stream: streams(2), Background: []Background{b}})
		require.InDelta(t, form, delivered(c, 32, n), 4*shareError(form, n))
		at, _ := c.Next()
		require.InDelta(t, 0.1, c.Usage(at).Others.Seconds()/at.Seconds(), 0.01)
	}
}

// With capture the stronger of two survives.
func TestPlainCapture(t *testing.T) {
	for power, want := range map[float64]string{0: "283 1 collides", 6: "283 1 ends"} {
		c := profile(t, Settings{Name: nameGFSK, Capture: 6}).Channel(ChannelConfig{Stations: 2, Power: []float64{0, power}})
		got := play(c, true, ask{0, 0, 8}, ask{16 * us, 1, 8})
		require.Equal(t, []string{"130 0 begins", "146 1 begins", "267 0 collides", want}, got)
	}
}

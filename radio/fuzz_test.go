package radio

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Settings are either refused with at least one mistake, each naming its key,
// or give a profile whose airtime grows with the payload.
func FuzzSettings(f *testing.F) {
	f.Add("action-frame", 1_000_000, "long", "single-element", "short", 31, int64(0), false, 0.0, int64(0), int64(0), 0)
	f.Add("action-frame", 54_000_000, "", "multi-element", "", 0, int64(1), true, 10.0, int64(0), int64(0), 0)
	f.Add("ideal", 0, "", "", "", 0, int64(0), false, 0.0, int64(1_000_000), int64(8), 1470)
	f.Add("", -1, "x", "y", "z", -1, int64(-1), true, -1.0, int64(-1), int64(-1), -1)
	f.Fuzz(func(t *testing.T, name string, rate int, preamble, format, slot string, window int, difs int64, eifs bool, capture float64, airtime, perByte int64, payload int) {
		s := Settings{Name: name, Rate: rate, Preamble: preamble, Format: format, Slot: slot, Window: window,
			DIFS: time.Duration(difs), EIFS: eifs, Capture: capture,
			Airtime: time.Duration(airtime), PerByte: time.Duration(perByte), Payload: payload}
		p, err := NewProfile(s)
		if err != nil {
			require.Nil(t, p)
			for _, one := range err.(interface{ Unwrap() []error }).Unwrap() {
				require.NotEmpty(t, one.(*Mistake).Key)
			}
			return
		}
		last := time.Duration(0)
		for n := 0; n <= p.MaxPayload(); n += 1 + n/8 {
			air := p.Airtime(n)
			require.GreaterOrEqual(t, air, last)
			last = air
		}
		preamble0, perSecond := p.Signal()
		require.GreaterOrEqual(t, perSecond, 0.0)
		require.LessOrEqual(t, preamble0, p.Airtime(0))
	})
}

// So are the settings of the other radios; a medium of what is accepted goes on,
// its broadcasts on the air for as long as their airtime says.
func FuzzOtherRadios(f *testing.F) {
	f.Add(uint8(0), 0, "", "64-bit", 3, 5, 5, int64(0), int64(0), 0, "", 0, false, 0.0)
	f.Add(uint8(1), 0, "manufacturer-specific", "", 0, 0, 0, int64(20*ms), int64(400*us), 0, "", 0, false, 0.0)
	f.Add(uint8(2), 125_000, "", "", 0, 0, 0, int64(100*ms), int64(9*ms), 125_000, "", 0, false, 0.0)
	f.Add(uint8(3), 250_000, "", "", 0, 0, 0, int64(0), int64(0), 0, "drop", 0, false, 0.01)
	f.Add(uint8(4), 0, "", "", 12, 8, 500_000, int64(0), int64(0), 0, "wait", 7, true, 0.5)
	f.Fuzz(func(t *testing.T, which uint8, rate int, format, addressing string, a, b, c int, interval, spacing int64, primary int, rule string, n int, flag bool, duty float64) {
		s := []Settings{
			{Name: nameLowRate, Addressing: addressing, BackoffExponent: a, MaxBackoffExponent: b, Assessments: c},
			{Name: nameLegacy, Format: format, Interval: time.Duration(interval), Spacing: time.Duration(spacing)},
			{Name: nameExtended, Rate: rate, PrimaryRate: primary, Format: format, Interval: time.Duration(interval), Spacing: time.Duration(spacing)},
			{Name: nameGFSK, Rate: rate, AddressBytes: a, ChecksumBytes: b, Duty: duty, DutyRule: rule},
			{Name: nameLoRa, SpreadingFactor: a, PreambleSymbols: b, Bandwidth: c, ImplicitHeader: flag, NoChecksum: !flag, Duty: duty, DutyRule: rule, SubBand: format},
		}[which%5]
		p, err := NewProfile(s)
		if err != nil {
			require.Nil(t, p)
			for _, one := range err.(interface{ Unwrap() []error }).Unwrap() {
				require.NotEmpty(t, one.(*Mistake).Key)
			}
			return
		}
		n = min(max(n, 0), p.MaxPayload())
		ch := p.Channel(ChannelConfig{Stations: 2, Stream: streams(1)})
		ch.Request(0, 0, n)
		ch.Request(0, 1, n)
		var events []Event
		var last time.Duration
		sent := 0
		for range 200 {
			at, ok := ch.Next()
			if !ok {
				break
			}
			require.GreaterOrEqual(t, at, last)
			last = at
			events = ch.Advance(at, events[:0])
			for _, e := range events {
				if e.Kind == Ended {
					sent++
				}
			}
		}
		if last == 0 {
			return
		}
		u := ch.Usage(last)
		require.Equal(t, uint64(sent), u.Sent[0]+u.Sent[1])
		if s.Name != nameLowRate { // there an access may fail
			require.Equal(t, 2, sent)
			require.Equal(t, p.Airtime(n), u.Own[0])
		}
	})
}

// Weather is either refused or gives outcomes that do not depend on which other
// broadcasts are asked about.
func FuzzWeather(f *testing.F) {
	f.Add(0.1, int64(50*ms), 0.0, 0.0, 0.0, int64(0), 0.0, 0.0, 0.0, 0.0, int64(0), int64(0), int64(0), int64(0), int64(0), uint64(1))
	f.Add(0.2, int64(ms), 0.01, 0.9, 0.1, int64(time.Second), 0.5, 1e-5, 1e-2, 1e6, int64(192*us), int64(5*ms), int64(9*ms), int64(30*ms), int64(100*ms), uint64(2))
	f.Add(1.0, int64(100*us), 1.0, 1.0, 1.0, int64(100*us), 1.0, 1.0, 1.0, 1e300, int64(0), int64(0), int64(1), int64(1), int64(2), uint64(3))
	f.Add(1e-300, int64(longestBurst), 0.0, 1.0, 1.0, int64(0), 0.0, 0.0, 0.0, 0.0, int64(-1), int64(2), int64(1), int64(-1), int64(-1), uint64(4))
	f.Fuzz(func(t *testing.T, loss float64, burst int64, goodLoss, badLoss, longShare float64, longBurst int64, longLoss, goodErrors, badErrors, bitRate float64,
		preamble, from, until, listen, every int64, seed uint64) {
		w := Weather{Loss: loss, Burst: time.Duration(burst), GoodLoss: goodLoss, BadLoss: badLoss,
			LongShare: longShare, LongBurst: time.Duration(longBurst), LongLoss: longLoss,
			GoodBitErrors: goodErrors, BadBitErrors: badErrors, BitRate: bitRate, Preamble: time.Duration(preamble),
			Listen: time.Duration(listen), ListenEvery: time.Duration(every)}
		if from != 0 || until != 0 {
			w.Outages = []Span{{time.Duration(from), time.Duration(until)}}
		}
		if err := w.Check(); err != nil {
			for _, one := range err.(interface{ Unwrap() []error }).Unwrap() {
				require.NotEmpty(t, one.(*Mistake).Key)
			}
			return
		}
		require.GreaterOrEqual(t, w.badShare(), 0.0)
		require.LessOrEqual(t, w.badShare(), 1.0)
		all, some := NewFading(w, streams(seed)("weather", 0), seed), NewFading(w, streams(seed)("weather", 0), seed)
		for k := range 200 {
			at := time.Duration(k) * 3 * ms
			o := all.Hear(at, at+2*ms)
			if k%7 == 0 {
				require.Equal(t, o, some.Hear(at, at+2*ms))
			}
			if o == Faded && loss == 0 {
				require.NotZero(t, longShare)
			}
			if o == BitErrors {
				require.True(t, goodErrors > 0 || badErrors > 0)
			}
		}
	})
}

// Whatever the stations ask and whoever else sends: events come in the order of
// time, begins and ends of a station alternate an airtime apart, stations that
// overlap are both lost, energies add up, and nothing waits for ever.
func FuzzChannel(f *testing.F) {
	f.Add(uint64(1), uint8(3), 0.0, int64(0), 0.0, false, false, false, uint16(0))
	f.Add(uint64(2), uint8(5), 0.4, int64(ms), 6.0, false, false, true, uint16(7))
	f.Add(uint64(3), uint8(2), 0.9, int64(200*us), 1.0, true, false, false, uint16(1))
	f.Add(uint64(4), uint8(7), 0.5, int64(3*ms), 2.0, false, true, false, uint16(300))
	f.Fuzz(func(t *testing.T, seed uint64, stations uint8, share float64, frame int64, bursts float64, hidden, deaf, eifs bool, window uint16) {
		n := int(stations%8) + 1
		b := Background{Share: share, Frame: time.Duration(frame), BurstFrames: bursts, Hidden: hidden, Deaf: deaf}
		s := Settings{EIFS: eifs, Window: int(window)}
		p, err := NewProfile(s)
		if err != nil || b.Check() != nil || frame != 0 && (frame < int64(20*us) || frame > int64(time.Second)) {
			return
		}
		c := p.Channel(ChannelConfig{Stations: n, Background: []Background{b}, Stream: streams(seed)})
		checkChannel(t, p, c, n, rand.New(rand.NewPCG(seed, 1)))
	})
}

// flight is a broadcast as a station sees it.
type flight struct {
	asked, onAir, collided bool // collided: overlapped another station
	n                      int
	begin                  time.Duration
}

// checkChannel drives a medium at random for a while and checks its laws.
func checkChannel(t *testing.T, p Profile, c Channel, n int, rng *rand.Rand) {
	flights := make([]flight, n)
	own := make([]time.Duration, n)
	var now, last time.Duration
	for range 2000 {
		at, ok := c.Next()
		require.True(t, !ok || at >= now)
		if i := rng.IntN(n); !flights[i].asked && rng.IntN(3) == 0 {
			if ok {
				now += time.Duration(rng.Int64N(int64(min(at-now, 5*ms)) + 1))
			} else {
				now += time.Duration(rng.Int64N(int64(5 * ms)))
			}
			flights[i] = flight{asked: true, n: rng.IntN(p.MaxPayload() + 1)}
			c.Request(now, i, flights[i].n)
			continue
		}
		if !ok {
			continue
		}
		now = at
		for _, e := range c.Advance(at, nil) {
			require.Equal(t, at, e.At)
			one := &flights[e.Station]
			if e.Kind == Began {
				require.True(t, one.asked && !one.onAir)
				one.onAir, one.begin = true, at
				for j := range flights {
					if j != e.Station && flights[j].onAir {
						one.collided, flights[j].collided = true, true
					}
				}
				continue
			}
			require.True(t, one.onAir)
			require.Equal(t, p.Airtime(one.n), at-one.begin)
			require.True(t, e.Collided || !one.collided, "an overlap that is no collision")
			own[e.Station] += at - one.begin
			*one = flight{}
		}
		last = at
	}
	u := c.Usage(last)
	for i := range flights {
		if flights[i].onAir {
			own[i] += last - flights[i].begin
		}
	}
	require.Equal(t, own, u.Own)
	total := u.Others
	for i := range own {
		total += own[i]
		require.LessOrEqual(t, u.Collided[i], u.Sent[i])
	}
	require.LessOrEqual(t, u.Busy, total)
	require.LessOrEqual(t, u.Busy, last)
}

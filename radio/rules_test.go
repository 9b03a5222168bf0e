package radio

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// script is a random source that gives prepared backoffs: with a window of
// 2^k-1 the drawn number is the low bits of the source.
type script struct {
	draws []uint64
}

func (s *script) Uint64() uint64 {
	if len(s.draws) == 0 {
		panic("the script has no further draw")
	}
	d := s.draws[0]
	s.draws = s.draws[1:]
	return d
}

// scripted is a medium at 1 Mbit/s whose stations draw the given backoffs, in
// order. 60 bytes take 1016 us, 0 bytes 536 us; DIFS is 50 us, a slot 20 us.
func scripted(t *testing.T, s Settings, background []Background, draws ...[]uint64) Channel {
	return profile(t, s).Channel(ChannelConfig{
		Stations: len(draws), Background: background,
		Stream: func(purpose string, i int) *rand.Rand {
			if purpose == "backoff" {
				return rand.New(&script{draws[i]})
			}
			return streams(1)(purpose, i)
		},
	})
}

// ask is a request of a script.
type ask struct {
	at         time.Duration
	station, n int
}

// play makes the requests, in order, and returns what happened, one line an
// event, times in us. Late requests come after what else happens at their
// instant, others before, unless their station is only then free.
func play(c Channel, late bool, asks ...ask) []string {
	var out []string
	open := map[int]bool{}
	for {
		at, ok := c.Next()
		if len(asks) > 0 && (!ok || asks[0].at < at || !late && asks[0].at == at && !open[asks[0].station]) {
			open[asks[0].station] = true
			c.Request(asks[0].at, asks[0].station, asks[0].n)
			asks = asks[1:]
			continue
		}
		if !ok {
			return out
		}
		for _, e := range c.Advance(at, nil) {
			word := "begins"
			if e.Kind == Ended {
				word, open[e.Station] = "ends", false
				if e.Collided {
					word = "collides"
				}
			}
			out = append(out, fmt.Sprint(e.At.Microseconds(), " ", e.Station, " ", word))
		}
	}
}

// both plays a script with requests before and after the happenings of an
// instant; the medium must not tell the difference.
func both(t *testing.T, medium func() Channel, asks []ask, want ...string) {
	t.Helper()
	require.Equal(t, want, play(medium(), false, asks...))
	require.Equal(t, want, play(medium(), true, asks...), "requests after the happenings of their instant")
}

func TestIdleMediumGrantsImmediateAccess(t *testing.T) {
	both(t, func() Channel { return scripted(t, Settings{}, nil, []uint64{3}) },
		[]ask{{7 * us, 0, 0}}, "7 0 begins", "543 0 ends")
}

// The post-backoff is drawn at the end though nothing waits: what comes within
// it waits for its end, what comes later goes at once.
func TestPostBackoff(t *testing.T) {
	both(t, func() Channel { return scripted(t, Settings{}, nil, []uint64{3, 3}) },
		[]ask{{0, 0, 0}, {600 * us, 0, 0}}, // 536 + 50 + 3 x 20 = 646
		"0 0 begins", "536 0 ends", "646 0 begins", "1182 0 ends")
	both(t, func() Channel { return scripted(t, Settings{}, nil, []uint64{3, 3}) },
		[]ask{{0, 0, 0}, {646 * us, 0, 0}},
		"0 0 begins", "536 0 ends", "646 0 begins", "1182 0 ends")
	both(t, func() Channel { return scripted(t, Settings{}, nil, []uint64{3, 3}) },
		[]ask{{0, 0, 0}, {647 * us, 0, 0}},
		"0 0 begins", "536 0 ends", "647 0 begins", "1183 0 ends")
}

// A broadcast that finds the medium busy draws a backoff, counted from DIFS
// after the busy period; so does one that comes within that DIFS.
func TestBusyMediumDemandsABackoff(t *testing.T) {
	for _, at := range []time.Duration{us, 536 * us, 585 * us} {
		both(t, func() Channel { return scripted(t, Settings{}, nil, []uint64{9}, []uint64{2, 0}) },
			[]ask{{0, 0, 0}, {at, 1, 0}},
			"0 0 begins", "536 0 ends", "626 1 begins", "1162 1 ends")
	}
	both(t, func() Channel { return scripted(t, Settings{}, nil, []uint64{9}, []uint64{0}) },
		[]ask{{0, 0, 0}, {586 * us, 1, 0}},
		"0 0 begins", "536 0 ends", "586 1 begins", "1122 1 ends")
}

// Station 2 draws 5 and sees two slots pass before station 1 sends; the three
// that are left run from DIFS after that: the slot right behind the busy period
// is not for it. The broken slot of an unaligned begin does not count.
func TestFreezeAndResume(t *testing.T) {
	both(t, func() Channel { return scripted(t, Settings{}, nil, []uint64{9}, []uint64{2, 9}, []uint64{5, 0}) },
		[]ask{{0, 0, 0}, {us, 1, 0}, {us, 2, 0}},
		"0 0 begins", "536 0 ends", "626 1 begins", "1162 1 ends",
		"1272 2 begins", "1808 2 ends") // 1162 + 50 + 3 x 20
	both(t, func() Channel { return scripted(t, Settings{}, nil, []uint64{9}, []uint64{0}, []uint64{5, 0}) },
		[]ask{{0, 0, 0}, {us, 2, 0}, {645 * us, 1, 0}}, // at 645 two slots of 2 have passed, the third is broken
		"0 0 begins", "536 0 ends", "645 1 begins", "1181 1 ends",
		"1291 2 begins", "1827 2 ends") // 1181 + 50 + 3 x 20
}

// One that has just sent and draws 0 uses the slot right behind its own frame.
func TestTheSlotBehindABusyPeriod(t *testing.T) {
	both(t, func() Channel { return scripted(t, Settings{}, nil, []uint64{0, 1}, []uint64{1, 9}) },
		[]ask{{0, 0, 0}, {us, 1, 0}, {536 * us, 0, 0}},
		"0 0 begins", "536 0 ends", "586 0 begins", "1122 0 ends",
		"1192 1 begins", "1728 1 ends")
}

// Equal counters collide; the shorter of two ends first and the medium is idle
// only when the longer has ended. Ends come before begins.
func TestTiesCollide(t *testing.T) {
	both(t, func() Channel { return scripted(t, Settings{}, nil, []uint64{9}, []uint64{2, 7}, []uint64{2, 7}) },
		[]ask{{0, 0, 0}, {us, 1, 60}, {us, 2, 0}},
		"0 0 begins", "536 0 ends", "626 1 begins", "626 2 begins", "1162 2 collides", "1642 1 collides")
	both(t, func() Channel { return scripted(t, Settings{}, nil, []uint64{1}, []uint64{1}) },
		[]ask{{9 * us, 0, 0}, {9 * us, 1, 0}},
		"9 0 begins", "9 1 begins", "545 0 collides", "545 1 collides")
}

// With EIFS a listener waits 364 us after a collision, those that sent wait
// DIFS; a good frame in between brings the listener back to DIFS.
func TestEIFSAfterACollision(t *testing.T) {
	medium := func(eifs bool) Channel {
		return scripted(t, Settings{EIFS: eifs}, nil, []uint64{4, 9}, []uint64{30}, []uint64{1, 0})
	}
	asks := []ask{{0, 0, 0}, {0, 1, 0}, {us, 2, 0}, {536 * us, 0, 0}}
	require.Equal(t, []string{"0 0 begins", "0 1 begins", "536 0 collides", "536 1 collides",
		"606 2 begins", "1142 2 ends", "1252 0 begins", "1788 0 ends"}, play(medium(false), true, asks...))
	require.Equal(t, []string{"0 0 begins", "0 1 begins", "536 0 collides", "536 1 collides",
		"666 0 begins", "1202 0 ends", "1272 2 begins", "1808 2 ends"}, play(medium(true), true, asks...))
}

// The extension of ERP-OFDM is silent: it delays whoever waits (6 us more) but
// is no energy.
func TestSignalExtensionIsSilence(t *testing.T) {
	c := scripted(t, Settings{Rate: 6_000_000}, nil, []uint64{1}, []uint64{2, 3})
	require.Equal(t, []string{"0 0 begins", "84 0 ends", "136 1 begins", "220 1 ends"}, // 84 + 6 + 28 + 2 x 9
		play(c, true, ask{0, 0, 0}, ask{us, 1, 0}))
	u := c.Usage(220 * us)
	require.Equal(t, []time.Duration{84 * us, 84 * us}, u.Own)
	require.Equal(t, 168*us, u.Busy)
	require.Equal(t, []time.Duration{(84 + 6 + 28 + 9) * us, (84 + 6 + 28 + 27) * us}, u.Occupied)
}

// A hidden sender that begins in the middle of a broadcast destroys it; nobody
// waits for it.
func TestHiddenSenderCollidesInTheMiddle(t *testing.T) {
	always := []Background{{Share: 1, Frame: 10 * us, Hidden: true, From: 300 * us, Until: 2 * time.Millisecond}}
	both(t, func() Channel { return scripted(t, Settings{}, always, []uint64{0, 0, 0}) },
		[]ask{{0, 0, 0}, {536 * us, 0, 0}, {1980 * us, 0, 0}},
		"0 0 begins", "536 0 collides", "586 0 begins", "1122 0 collides", "1980 0 begins", "2516 0 collides")
	both(t, func() Channel { return scripted(t, Settings{}, always, []uint64{0}) },
		[]ask{{2000 * us, 0, 0}}, // the last frame ended at this instant
		"2000 0 begins", "2536 0 ends")
}

// A deaf sender does not wait either, but is heard: a broadcast waits for it.
func TestDeafSenderIsDeferredTo(t *testing.T) {
	always := []Background{{Share: 1, Frame: 10 * us, Deaf: true, From: 300 * us, Until: 2 * time.Millisecond}}
	both(t, func() Channel { return scripted(t, Settings{}, always, []uint64{0, 0}) },
		[]ask{{0, 0, 0}, {536 * us, 0, 0}},
		"0 0 begins", "536 0 collides", "2050 0 begins", "2586 0 ends")
}

// With capture the stronger of two survives.
func TestCapture(t *testing.T) {
	for _, c := range []struct {
		capture, first, second float64
		want                   []string
	}{
		{0, 20, 0, []string{"0 0 begins", "0 1 begins", "536 0 collides", "536 1 collides"}},
		{10, 9, 0, []string{"0 0 begins", "0 1 begins", "536 0 collides", "536 1 collides"}},
		{10, 10, 0, []string{"0 0 begins", "0 1 begins", "536 0 ends", "536 1 collides"}},
		{10, -30, -15, []string{"0 0 begins", "0 1 begins", "536 0 collides", "536 1 ends"}},
	} {
		ch := profile(t, Settings{Capture: c.capture}).Channel(ChannelConfig{
			Stations: 2, Power: []float64{c.first, c.second}, Stream: streams(1)})
		require.Equal(t, c.want, play(ch, true, ask{0, 0, 0}, ask{0, 1, 0}))
	}
}

// On the ideal profile broadcasts overlap freely, and one without airtime ends
// at the instant it begins.
func TestIdealOverlapsFreely(t *testing.T) {
	c := profile(t, Settings{Name: "ideal", Airtime: 10 * us, PerByte: us}).Channel(ChannelConfig{Stations: 2})
	require.Equal(t, []string{"1 1 begins", "2 0 begins", "12 0 ends", "12 0 begins", "21 1 ends", "22 0 ends"},
		play(c, true, ask{us, 1, 10}, ask{2 * us, 0, 0}, ask{12 * us, 0, 0}))
	u := c.Usage(30 * us)
	require.Equal(t, []time.Duration{20 * us, 20 * us}, u.Own)
	require.Equal(t, 21*us, u.Busy)
	require.Equal(t, []uint64{2, 1}, u.Sent)

	c = profile(t, Settings{Name: "ideal"}).Channel(ChannelConfig{Stations: 1})
	require.Equal(t, []string{"5 0 begins", "5 0 ends"}, play(c, true, ask{5 * us, 0, 9}))
}

func TestWrongUseOfAChannelPanics(t *testing.T) {
	for _, s := range []Settings{{}, {Name: "ideal", Airtime: us}} {
		c := profile(t, s).Channel(ChannelConfig{Stations: 1, Stream: streams(1)})
		_, ok := c.Next()
		require.False(t, ok)
		require.Panics(t, func() { c.Advance(0, nil) }, "nothing happens")
		c.Request(us, 0, 1)
		require.Panics(t, func() { c.Request(us, 0, 1) }, "a second request")
		require.Panics(t, func() { c.Advance(2*us, nil) }, "not the next instant")
		require.Panics(t, func() { profile(t, s).Channel(ChannelConfig{Stations: -1}) })
	}
}

func TestIdealLeavesBackgroundSendersOut(t *testing.T) {
	c := profile(t, Settings{Name: "ideal"}).Channel(ChannelConfig{Stations: 1, Background: []Background{{Share: 1, Frame: us}}})
	_, ok := c.Next()
	require.False(t, ok)
	require.Equal(t, newUsage(1), c.Usage(time.Second))
}

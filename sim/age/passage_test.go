package age

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// announcements is the reference: all passes kept, everything summed anew.
type announcements []pass

func (a announcements) newest(at time.Duration) (u time.Duration, ok bool) {
	for _, p := range a {
		if p.at <= at && (!ok || p.validAt > u) {
			u, ok = p.validAt, true
		}
	}
	return u, ok
}

func (a announcements) integral(at time.Duration) Int128 {
	var sum Int128
	var from time.Duration
	for _, p := range a {
		if p.at > at {
			break
		}
		u, _ := a.newest(from)
		sum, from = sum.Add(Product(int64(u), int64(p.at-from))), p.at
	}
	u, _ := a.newest(from)
	return sum.Add(Product(int64(u), int64(at-from)))
}

// checkPassage plays bytes as calls: each third byte a pass so far ahead, with a
// value so far after the last one, or a question.
func checkPassage(t *testing.T, data []byte) {
	t.Helper()
	var p Passage
	var all announcements
	var now, at, validAt time.Duration
	for ; len(data) >= 3; data = data[3:] {
		scale := time.Duration(1) << (data[0] >> 4 * 2)
		now += time.Duration(data[1]&15) * scale
		if data[0]&3 == 0 {
			u, ok := all.newest(now)
			got, known := p.Newest(now)
			require.Equal(t, ok, known)
			require.Equal(t, u, got)
			require.Equal(t, all.integral(now), p.Integral(now))
			continue
		}
		at = max(at, now+time.Duration(data[1]>>4)*scale)
		validAt += time.Duration(int8(data[2])) * scale
		if len(all) == 0 || validAt > all[len(all)-1].validAt {
			all = append(all, pass{at, validAt})
		}
		p.Pass(now, at, validAt)
	}
	end := max(at, now)
	require.Equal(t, all.integral(end), p.Integral(end))
}

func TestPassageAgainstBruteForce(t *testing.T) {
	dice := rand.New(rand.NewPCG(11, 12))
	for range 300 {
		data := make([]byte, 3*dice.IntN(150))
		for i := range data {
			data[i] = byte(dice.Uint32())
		}
		checkPassage(t, data)
	}
}

func FuzzPassage(f *testing.F) {
	f.Add([]byte{1, 0x20, 5, 1, 0x31, 5, 0, 9, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) <= 1500 {
			checkPassage(t, data)
		}
	})
}

func TestPassesAnnouncedAheadWaitTheirTurn(t *testing.T) {
	var p Passage
	_, ok := p.Newest(0)
	require.False(t, ok)
	p.Pass(0, 10, 4)
	p.Pass(0, 20, 12)
	p.Pass(0, 25, 12) // not newer: changes nothing
	u, ok := p.Newest(9)
	require.False(t, ok)
	require.Zero(t, u)
	u, ok = p.Newest(10)
	require.True(t, ok)
	require.EqualValues(t, 4, u)
	require.Equal(t, "0", p.Integral(10).String())
	require.Equal(t, "36", p.Integral(19).String())
	require.Equal(t, "52", p.Integral(21).String()) // 4 x 10 + 12 x 1
	require.Panics(t, func() { p.Newest(19) })
	require.Panics(t, func() { p.Pass(20, 20, 15) })
	p.Reset()
	_, ok = p.Newest(5)
	require.False(t, ok)
}

// Between two instants the area under the age splits into what each stage adds:
// age = (t - U0) + (U0 - U1) + ..., as integers.
func TestPassagesSplitTheAgeToTheLastNanosecond(t *testing.T) {
	dice := rand.New(rand.NewPCG(13, 14))
	const stages = 4
	var passages [stages]Passage // the last one is the glass
	var term, before [stages]Int128
	track := NewTrack(0)
	var opened, released time.Duration
	integrals := func(now time.Duration) (all [stages]Int128) {
		for k := range passages {
			all[k] = passages[k].Integral(now)
		}
		return all
	}
	for i := range 20_000 {
		released += time.Duration(1 + dice.Int64N(5e6))
		for k, at := 0, released; k < stages; k++ {
			at += time.Duration(dice.Int64N(1e6))
			// No later value overtakes: each stage serves in order.
			at = max(at, passages[k].announced)
			if dice.IntN(8) == 0 {
				break // lost
			}
			passages[k].Pass(released, at, released)
			if k < stages-1 {
				continue
			}
			if i >= 50 && !track.IsOpen() {
				track.Open(at, released)
				opened, before = at, integrals(at)
			}
			track.Update(at, released)
		}
		if track.IsOpen() {
			released = max(released, track.now)
		}
	}
	end := released + 1e6
	for k := range passages {
		end = max(end, passages[k].announced)
	}
	track.Close(end)
	after := integrals(end)
	// Twice the integral of t over the window.
	above := Product(int64(end-opened), int64(end+opened))
	var sum Int128
	for k := range passages {
		u := after[k].Sub(before[k])
		u = u.Add(u)
		term[k], above = above.Sub(u), u
		require.GreaterOrEqual(t, term[k].Sign(), 0)
		sum = sum.Add(term[k])
	}
	require.Equal(t, track.TwiceArea(), sum)
}

func BenchmarkPassage(b *testing.B) {
	var p Passage
	now := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		now += 1000
		p.Pass(now, now+2500, now-100)
	}
}

package traffic

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// A frame of n bits is struck with probability 1-(1-p)^n; the transmissions it
// needs follow the geometric law.
func TestBitErrorsStrikeByTheClosedForm(t *testing.T) {
	for name, c := range map[string]struct {
		message Message
		rate    float64
	}{
		"base, 8 bytes":     {Message{ID: 0x123, Length: 8, Period: 10 * ms}, 1e-3},
		"extended, 0 bytes": {Message{ID: bus.Extended | 0x1234567, Period: 10 * ms}, 1e-4},
		"FD, 64 bytes":      {Message{ID: 0x123, Length: 64, Flags: bus.FD | bus.BitRateFast, Period: 10 * ms}, 5e-4},
	} {
		t.Run(name, func(t *testing.T) {
			s := set(t, Config{Messages: []Message{c.message}, DataBitRate: 2_000_000, BitErrorRate: c.rate})
			n := size(20_000, 1_000_000)
			var f bus.Frame
			for range n {
				require.True(t, s.Next(&f))
			}
			bits := f.Bits().Total()
			p := 1 - math.Pow(1-c.rate, float64(bits))
			st := s.Statistics()
			require.EqualValues(t, n, st.Frames)
			require.Equal(t, st.Errors, st.Messages[0].Errors)
			tries := float64(n) + float64(st.Errors)
			require.InDelta(t, p, float64(st.Errors)/tries, 4*math.Sqrt(p*(1-p)/tries))
		})
	}
}

// An error frame begins behind the bit that was struck, lasts 14 to 20 bits and
// is followed by the intermission and the frame again.
func TestErrorFramesOnTheBus(t *testing.T) {
	messages := []Message{{ID: 0x123, Length: 8, Period: 10 * ms, Phase: PhaseFixed}, {ID: 0x7, Length: 1, Period: 7 * ms, Phase: PhaseFixed, Offset: 10*ms + 1}}
	config := Config{Messages: messages, BitRate: 500_000, BitErrorRate: 1e-3, ErrorFrames: true}
	s := set(t, config)
	const bit = 2 * time.Microsecond
	shapes := map[bus.ID]int{} // bits through EOF
	flags := map[time.Duration]int{}
	var f bus.Frame
	var idle, busy time.Duration
	failed, frames := 0, 0
	twin := s.errors // draws the same numbers
	for frames+failed < size(20_000, 200_000) {
		require.True(t, s.Next(&f))
		if f.Kind != bus.Error {
			frames++
			shapes[f.ID] = f.Bits().Total()
			start := f.At - time.Duration(shapes[f.ID]-1)*bit
			require.GreaterOrEqual(t, start, idle)
			require.GreaterOrEqual(t, start, f.Released)
			require.False(t, twin.strikes(f.Bits()))
			idle = f.At + 4*bit
			busy += idle - start
			continue
		}
		failed++
		require.EqualValues(t, -1, f.Message)
		require.Zero(t, f.Length)
		require.Equal(t, f.At, f.Released)
		struck := time.Duration(twin.ahead + 1) // bits of the frame that were sent
		twin.ahead = twin.dice.geometric(twin.rate)
		length := 14 + twin.dice.below(7)
		flags[time.Duration(length)]++
		start := f.At - (struck+time.Duration(length))*bit
		require.GreaterOrEqual(t, start, idle)
		idle = f.At + 3*bit
		busy += idle - start
	}
	st := s.Statistics()
	require.EqualValues(t, failed, st.Errors)
	require.EqualValues(t, frames, st.Frames)
	require.Equal(t, busy, st.Busy)
	require.Len(t, flags, 7, "every length from 14 to 20 bits")
	require.Greater(t, failed, 1000)

	// Without being asked for they are not handed out, and nothing else changes.
	config.ErrorFrames = false
	quiet := set(t, config)
	again := set(t, Config{Messages: messages, BitErrorRate: 1e-3, ErrorFrames: true})
	var a, b bus.Frame
	for range 1000 {
		require.True(t, quiet.Next(&a))
		for again.Next(&b); b.Kind == bus.Error; again.Next(&b) {
		}
		clear(a.Data[a.Length:])
		clear(b.Data[b.Length:])
		require.Equal(t, b, a)
	}
}

// After an error the most urgent message goes first, and an instance that was
// struck can be replaced by a newer one.
func TestAStruckInstanceWaitsAgain(t *testing.T) {
	m := Message{ID: 0x123, Length: 8, Period: 150 * time.Microsecond, Overwrite: true, Fields: []Field{{unsigned("counter", 0, 32), Value{Kind: Counter}}}}
	s := set(t, Config{Messages: []Message{m}, BitErrorRate: 1e-3})
	for _, f := range frames(s, 3*time.Second) {
		// The instance that is sent was released not longer ago than a period before the frame began.
		start := f.At - f.Bits().Reception().Duration(500_000, 0)
		require.Less(t, start-f.Released, 150*time.Microsecond)
	}
	st := s.Statistics().Messages[0]
	require.Greater(t, st.Errors, uint64(500))
	require.Equal(t, st.Released, st.Sent+st.Overwritten+st.Waiting)
}

// The bits of an FD frame with a fast data phase by hand: 26 nominal, of which 9
// stand behind the data phase (ISO 11898-1:2015).
func TestBitsUpToAHit(t *testing.T) {
	fd := bus.Bits{Nominal: 26, Data: 98}
	require.Equal(t, bus.Bits{Nominal: 1}, upTo(fd, 0))
	require.Equal(t, bus.Bits{Nominal: 17}, upTo(fd, 16))
	require.Equal(t, bus.Bits{Nominal: 17, Data: 1}, upTo(fd, 17))
	require.Equal(t, bus.Bits{Nominal: 17, Data: 98}, upTo(fd, 114))
	require.Equal(t, bus.Bits{Nominal: 18, Data: 98}, upTo(fd, 115))
	require.Equal(t, fd, upTo(fd, 123))
	classic := bus.Bits{Nominal: 111}
	require.Equal(t, bus.Bits{Nominal: 50}, upTo(classic, 49))
	require.Equal(t, classic, upTo(classic, 110))
}

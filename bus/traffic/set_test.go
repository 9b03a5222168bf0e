package traffic

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// Rates and loads of three mixes at 500 kbit/s, recomputed: an 8-byte base frame
// has 111 bits with intermission and without stuffing, and at most 135 (Davis,
// Burns, Bril, Lukkien 2007, bound 55+10s).
func TestRatesAndLoadsOfMixes(t *testing.T) {
	for name, c := range map[string]struct {
		mix            mix
		messages       int
		perSecond      float64
		nominal, worst float64 // load
	}{
		"quiet":    {quiet, 60, 868.4, 0.193, 0.234},
		"ordinary": {ordinary, 96, 1934.8, 0.430, 0.522},
		"busy":     {busy, 150, 3089.2, 0.686, 0.834},
	} {
		t.Run(name, func(t *testing.T) {
			messages := lively(c.mix.messages())
			require.Len(t, messages, c.messages)
			for i := range messages {
				messages[i].Drift = 0
			}
			s := set(t, Config{Messages: messages})
			end := time.Duration(size(20, 600)) * time.Second
			n := len(frames(s, end))
			// Each message has one frame more or less by its phase: variance at most 1/4.
			tolerance := 4*math.Sqrt(float64(c.messages)/4) + 2
			require.InDelta(t, c.perSecond*end.Seconds(), n, tolerance)
			st := s.Statistics()
			require.Equal(t, uint64(n+1), st.Frames, "one beyond the end")
			require.InDelta(t, c.nominal, c.perSecond*111/500_000, 0.0006)
			require.InDelta(t, c.worst, c.perSecond*135/500_000, 0.0006)
			relative := tolerance / float64(n)
			require.Greater(t, st.Load(end), c.nominal*(1-relative))
			require.Less(t, st.Load(end), c.worst*(1+relative))
		})
	}
}

// equalMessages returns messages of 7 bytes whose frames all take the same
// number of bits with intermission, which it returns too.
func equalMessages(t *testing.T, ids ...bus.ID) (messages []Message, bits int) {
	const want = 113 // through EOF
	for _, id := range ids {
		shape := bus.NewShape(id, bus.Data, 0, 7)
		for x := range 256 {
			data := [7]byte{byte(x)}
			if shape.Bits(data[:]).Total() == want {
				value := Value{Kind: Constant, Low: float64(x)}
				messages = append(messages, Message{ID: id, Length: 7, Phase: PhaseFixed, Fields: []Field{{unsigned("x", 0, 8), value}}})
				break
			}
		}
	}
	require.Len(t, messages, len(ids), "no payload of this length")
	return messages, want + bus.Intermission
}

// The three messages of the counter-example in Davis, Burns, Bril, Lukkien,
// "Controller Area Network (CAN) schedulability analysis: refuted, revisited and
// revised", Real-Time Systems 35 (2007): frames of 1 ms, periods 2.5, 3.5 and 3.5
// ms. All are released at 0. The second instance of C, released at 3.5, is done
// at 7: worse than its first, which the earlier analysis looked at alone. The
// schedule is worked out by hand.
func TestScheduleOfTheCounterExampleByHand(t *testing.T) {
	messages, bits := equalMessages(t, 0x10, 0x20, 0x30)
	messages[0].Period, messages[1].Period, messages[2].Period = 2500*time.Microsecond, 3500*time.Microsecond, 3500*time.Microsecond
	s := set(t, Config{Messages: messages, BitRate: bits * 1000})
	want := []struct {
		message  int32
		released time.Duration // us
	}{{0, 0}, {1, 0}, {2, 0}, {0, 2500}, {1, 3500}, {0, 5000}, {2, 3500}}
	var f bus.Frame
	early := bus.Bits{Nominal: 4}.Duration(bits*1000, 0) // last EOF bit and intermission
	for i, w := range want {
		require.True(t, s.Next(&f))
		require.Equal(t, w.message, f.Message, "frame %d", i)
		require.Equal(t, w.released*time.Microsecond, f.Released, "frame %d", i)
		end := time.Duration(i+1) * ms
		require.InDelta(t, end-early, f.At, 1, "frame %d", i)
	}
	st := s.Statistics()
	require.Equal(t, 7*ms, st.Busy)
	require.EqualValues(t, 2, st.Messages[2].Sent)
}

// A frame that has begun is sent to its end, and the most urgent then goes
// before all others: the wait of the most urgent is one frame at most.
func TestUrgentMessageWaitsForOneFrame(t *testing.T) {
	messages, bits := equalMessages(t, 0x400, 0x10, 0x20)
	for i := range messages {
		messages[i].Period = time.Second
	}
	// 0x400 begins at 0; the others come 1 ns later, the less urgent one first.
	messages[1].Offset, messages[2].Offset = 2, 1
	s := set(t, Config{Messages: messages, BitRate: bits * 1000})
	var f bus.Frame
	for _, want := range []bus.ID{0x400, 0x10, 0x20} {
		require.True(t, s.Next(&f))
		require.Equal(t, want, f.ID)
	}
	require.InDelta(t, float64(3*ms)-4e6/float64(bits), float64(f.At), 2)
}

// A release at the very instant at which the bus becomes free takes part in the
// arbitration; at equal instants the lower arbitration field goes first, base
// before extended with the same leading bits, data before remote.
func TestTiesGoByTheArbitrationField(t *testing.T) {
	messages := []Message{
		{ID: bus.Extended | 0x123<<18, Period: time.Second, Phase: PhaseFixed},
		{ID: 0x123, Remote: true, Length: 2, Period: time.Second, Phase: PhaseFixed},
		{ID: 0x123, Period: time.Second, Phase: PhaseFixed},
		{ID: 0x7ff, Period: time.Second, Phase: PhaseFixed},
		{ID: 0x001, Period: time.Second, Phase: PhaseFixed},
	}
	order := []int32{4, 2, 1, 0, 3}
	first := frames(set(t, Config{Messages: messages}), 500*ms)
	var got []int32
	for _, f := range first {
		got = append(got, f.Message)
	}
	require.Equal(t, order, got)
	require.Equal(t, bus.Remote, first[2].Kind)
	require.EqualValues(t, 2, first[2].Length)
	require.Nil(t, first[2].Payload())

	// The bus becomes free 4 bits after the reception of 0x123 (data). What is
	// released then goes before 0x123 (remote), 1 ns later after it.
	free := first[1].At + bus.Bits{Nominal: 4}.Duration(500_000, 0)
	for offset, want := range map[time.Duration]int32{free: 5, free + 1: 1} {
		more := append(messages[:len(messages):len(messages)], Message{ID: 0x002, Period: time.Second, Phase: PhaseFixed, Offset: offset})
		require.Equal(t, want, frames(set(t, Config{Messages: more}), 500*ms)[2].Message)
	}
}

// Worst-case response times of a set of eight messages at 500 kbit/s by the
// analysis of Davis, Burns, Bril, Lukkien 2007, recomputed by two programs; in us,
// release jitter included. No simulated response exceeds them.
func TestResponsesStayBelowTheAnalysis(t *testing.T) {
	const us = time.Microsecond
	worst := []time.Duration{590 * us, 1360 * us, 1090 * us, 2360 * us, 1550 * us, 3820 * us, 1970 * us, 1970 * us}
	messages := []Message{
		{ID: 0x0A0, Length: 8, Period: 10 * ms},
		{ID: 0x0B0, Length: 8, Period: 10 * ms, Jitter: 500 * us},
		{ID: 0x120, Length: 6, Period: 20 * ms},
		{ID: 0x1F0, Length: 8, Period: 20 * ms, Jitter: 1000 * us},
		{ID: 0x2C0, Length: 4, Period: 50 * ms},
		{ID: 0x3D0, Length: 8, Period: 100 * ms, Jitter: 2000 * us},
		{ID: 0x4E0, Length: 2, Period: 200 * ms},
		{ID: bus.Extended | 0x18FEF100, Length: 8, Period: 100 * ms},
	}
	most := make([]time.Duration, len(messages))
	for seed := range size(40, 300) {
		c := Config{Messages: append([]Message(nil), messages...), Stream: streams(uint64(seed))}
		for i := range c.Messages {
			// Every fourth run begins at the critical instant.
			if seed%4 == 0 {
				c.Messages[i].Phase = PhaseFixed
			}
			if l := c.Messages[i].Length; l > 2 {
				walk := Value{Kind: RandomWalk, High: float64(uint64(1) << (8*l - 16)), Step: 1000}
				walk.High--
				c.Messages[i].Fields = []Field{{unsigned("x", 8, 8*l-16), walk}, {unsigned("sum", 0, 8), Value{Kind: Checksum}}}
			}
		}
		s := set(t, c)
		for _, f := range frames(s, time.Second) {
			// The jitter of this instance is not known: the response counts from its release.
			response := f.At - f.Released
			m := f.Message
			most[m] = max(most[m], response)
			require.LessOrEqual(t, response, worst[m]-messages[m].Jitter, "%v", f.ID)
		}
	}
	for i, m := range most {
		require.Greater(t, m, worst[i]/10, "%v is never blocked: the bound was not tried", messages[i].ID)
	}
}

func TestSameSeedSameFrames(t *testing.T) {
	c := Config{Messages: lively(ordinary.messages()), BitErrorRate: 1e-4, Stream: streams(4)}
	first := frames(set(t, c), 3*time.Second)
	require.Equal(t, first, frames(set(t, c), 3*time.Second))
	c.Stream = streams(5)
	require.NotEqual(t, first, frames(set(t, c), 3*time.Second))
}

// What a message says and when it is released does not depend on the others, nor
// on bit errors.
func TestMessagesDoNotDisturbEachOther(t *testing.T) {
	type said struct {
		released time.Duration
		data     [8]byte
	}
	collect := func(c Config) map[bus.ID][]said {
		out := map[bus.ID][]said{}
		for _, f := range frames(set(t, c), 3*time.Second) {
			out[f.ID] = append(out[f.ID], said{f.Released, [8]byte(f.Data[:8])})
		}
		return out
	}
	messages := lively(quiet.messages())
	all := collect(Config{Messages: messages})
	some := collect(Config{Messages: messages[20:30], BitErrorRate: 1e-3, BitRate: 250_000})
	require.Len(t, some, 10)
	for id, want := range some {
		got := all[id]
		n := min(len(want), len(got)) // the end may cut one more on the slower bus
		require.InDelta(t, len(got), len(want), 1)
		require.Equal(t, want[:n], got[:n], "%v", id)
	}
}

// crowded returns a set in which message 1 gets less of the bus than it asks
// for.
func crowded(overwrite bool) []Message {
	return []Message{
		{ID: 0x10, Length: 8, Period: 260 * time.Microsecond, Jitter: 100 * time.Microsecond},
		{ID: 0x20, Length: 8, Period: ms, Jitter: 900 * time.Microsecond, Overwrite: overwrite, Fields: []Field{{unsigned("counter", 0, 32), Value{Kind: Counter}}}},
	}
}

// Beyond the capacity of the bus instances queue in order. The queue costs no
// memory, and each instance still carries what it had at its release.
func TestAnOverloadedBusQueues(t *testing.T) {
	var announced []time.Duration
	s := set(t, Config{Messages: crowded(false), Watch: []bool{false, true}, OnRelease: func(message, page int, at time.Duration) {
		require.Equal(t, 1, message)
		require.Equal(t, -1, page)
		announced = append(announced, at)
	}})
	counter := 0
	for _, f := range frames(s, 3*time.Second) {
		if f.Message != 1 {
			continue
		}
		raw, _ := crowded(false)[1].Fields[0].Signal.Raw(f.Payload())
		require.EqualValues(t, counter, raw)
		require.Equal(t, announced[counter], f.Released)
		counter++
	}
	m := s.Statistics().Messages[1]
	require.InDelta(t, 3000, m.Released, 2)
	require.Greater(t, m.Waiting, uint64(500), "the bus was not overloaded")
	require.Equal(t, m.Waiting, m.MaxWaiting)
	require.Equal(t, m.Released, m.Sent+m.Waiting)
	require.Zero(t, m.Overwritten)

	s.config.OnRelease, s.messages[1].watched = nil, false
	var f bus.Frame
	require.Zero(t, testing.AllocsPerRun(10_000, func() { s.Next(&f) }))
}

func TestOverwriteSendsTheNewest(t *testing.T) {
	s := set(t, Config{Messages: crowded(true)})
	last, skipped := int64(-1), uint64(0)
	for _, f := range frames(s, 3*time.Second) {
		if f.Message != 1 {
			continue
		}
		raw, _ := crowded(true)[1].Fields[0].Signal.Raw(f.Payload())
		require.Greater(t, int64(raw), last)
		skipped += raw - uint64(last+1)
		last = int64(raw)
	}
	m := s.Statistics().Messages[1]
	require.Greater(t, m.Overwritten, uint64(500))
	require.EqualValues(t, 1, m.MaxWaiting)
	require.Equal(t, m.Released, m.Sent+m.Overwritten+m.Waiting)
	require.InDelta(t, m.Overwritten, skipped, 1, "the last one may have overwritten another and wait")
}

// Every release up to the reception of a frame has been told before Next hands
// the frame out, in order, whether it is sent or replaced, with its page.
func TestReleasesAreToldInTime(t *testing.T) {
	messages := crowded(true)
	messages[1].Fields = nil
	messages[1].Selector, messages[1].Pages = selector(0, 8), []int{7, 9, 8}
	type told struct {
		page int
		at   time.Duration
	}
	var heard []told
	s := set(t, Config{Messages: messages, Watch: []bool{false, true}, BitErrorRate: 1e-3, ErrorFrames: true, OnRelease: func(_, page int, at time.Duration) {
		heard = append(heard, told{page, at})
	}})
	want := s.newReleases(1)
	want.enter()
	n := 0
	var f bus.Frame
	for s.Next(&f) && f.At < time.Second {
		for ; want.at <= f.At; want.advance() {
			require.Greater(t, len(heard), n, "not told by %v", f.At)
			require.Equal(t, told{messages[1].Pages[n%3], want.at}, heard[n])
			n++
		}
	}
	require.Greater(t, n, 900)
}

// However messages are made and sent, a frame costs no memory.
func TestFramesCostNoMemory(t *testing.T) {
	messages := lively(quiet.messages())
	lamp := Field{unsigned("lamp", 60, 1), Value{Kind: Pulse, High: 1, Every: 40 * ms, Width: 10 * ms}}
	messages[3].Fields = append(messages[3].Fields, lamp)
	messages[3].Events = &Events{OnChange: []int{4}, Every: 30 * ms, Group: 3, Spacing: ms, Heartbeat: 100 * ms}
	messages[4].Overwrite = true
	messages[5].Fields, messages[5].Flags, messages[5].Length = nil, bus.FD|bus.BitRateFast, 64
	s := set(t, Config{
		Messages: messages, DataBitRate: 2_000_000, BitErrorRate: 1e-3,
		Timeline: []Episode{{At: time.Second, Storm: &Storm{Message: 7, Rate: 2500}}, {At: 2 * time.Second}},
	})
	var f bus.Frame
	require.Zero(t, testing.AllocsPerRun(10_000, func() { s.Next(&f) }))
	require.Greater(t, f.At, 3*time.Second)
}

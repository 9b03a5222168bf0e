package survey

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

// again runs a fitted set for as long as the original and surveys it.
func again(t *testing.T, messages []traffic.Message, rate int, span time.Duration) *Inventory {
	t.Helper()
	inv, _ := survey(t, messages, rate, span, Options{BitRate: rate})
	return inv
}

// A set fitted to a bus has its load, its periods and their spread, with names for
// the bits and without.
func TestFit(t *testing.T) {
	const span = 120 * time.Second
	for name, layouts := range map[string]Layouts{"with signals": OfMessages(ferry()), "without": {}} {
		t.Run(name, func(t *testing.T) {
			inv, _ := survey(t, ferry(), 250_000, span, Options{BitRate: 250_000, Layouts: layouts})
			messages, notes := Fit(inv)
			require.Empty(t, notes)
			fitted := again(t, messages, 250_000, span)
			require.InEpsilon(t, inv.Load, fitted.Load, 0.01)
			for i := range inv.IDs {
				was := &inv.IDs[i]
				is := find(t, fitted, was.ID)
				if was.Regularity == OnEvent {
					// A mean of random distances: four standard errors.
					require.InEpsilon(t, was.MeanExact, is.MeanExact, 4*math.Sqrt(2/float64(was.Frames)))
					continue
				}
				require.InEpsilon(t, was.MeanExact, is.MeanExact, 1e-3, was.ID)
				within(t, was.ID, was.Low, is.Low)
				within(t, was.ID, was.High, is.High)
				require.InEpsilon(t, was.Bits, is.Bits, 0.03, was.ID)
				require.Equal(t, was.Length, is.Length)
				require.Equal(t, was.Remotes > 0, is.Remotes > 0)
			}
		})
	}
}

// within holds two points of a period against each other: 10 % or 0.2 ms.
func within(t *testing.T, id bus.ID, was, is time.Duration) {
	t.Helper()
	require.InDelta(t, float64(was), float64(is), max(0.1*float64(was), 200e3), id)
}

func TestFitOfSignals(t *testing.T) {
	inv, _ := survey(t, ferry(), 250_000, 300*time.Second, Options{BitRate: 250_000, Layouts: OfMessages(ferry())})
	messages, _ := Fit(inv)
	laws := map[string]traffic.Value{}
	for _, m := range messages {
		for _, f := range m.Fields {
			laws[f.Signal.Name] = f.Value
		}
		if m.ID == 0x240 {
			require.Equal(t, []int{0, 1, 0, 3}, m.Pages)
		}
	}
	require.Equal(t, traffic.Counter, laws["count"].Kind)
	require.Equal(t, traffic.Checksum, laws["check"].Kind)
	require.Equal(t, traffic.Value{Kind: traffic.Constant, Low: 7}, laws["spare"])
	require.Equal(t, traffic.RandomWalk, laws["speed"].Kind)
	require.InEpsilon(t, 20, laws["speed"].Step, .1)
	require.Equal(t, traffic.Square, laws["beacon"].Kind)
	require.InDelta(t, float64(time.Second), float64(laws["beacon"].Every), float64(3*ms))
	require.InDelta(t, float64(400*ms), float64(laws["beacon"].Width), float64(3*ms))
	require.Equal(t, traffic.Pulse, laws["ramp_down"].Kind)
	require.GreaterOrEqual(t, laws["ramp_down"].Width, 1900*ms, "pulses that overlap last longer")
}

// Without a clock beside it, with one, with one that sometimes misses.
func TestFitOfMixedRhythms(t *testing.T) {
	lamp := field("lamp", 0, 1, traffic.Value{Kind: traffic.Square, High: 1, Every: 1270 * ms, Width: 310 * ms})
	m := []traffic.Message{
		{ID: 0x10, Length: 4, Period: 100 * ms, Fields: []traffic.Field{lamp}, Events: &traffic.Events{OnChange: []int{0}, MinGap: 10 * ms}},
		{ID: 0x20, Length: 4, Period: 100 * ms, Events: &traffic.Events{Every: 2 * time.Second, MinGap: 10 * ms}},
	}
	inv, _ := survey(t, m, 500_000, 200*time.Second, Options{BitRate: 500_000})
	messages, _ := Fit(inv)
	fitted := again(t, messages, 500_000, 200*time.Second)
	for i, d := range inv.IDs {
		require.Equal(t, Mixed, d.Regularity)
		require.Equal(t, 100*ms, messages[i].Period)
		require.NotNil(t, messages[i].Events)
		require.InEpsilon(t, d.MeanExact, find(t, fitted, d.ID).MeanExact, 0.03)
	}
}

// A fit is a set without mistakes whatever was met.
func FuzzFit(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20})
	f.Add([]byte{0x80, 0, 0, 9, 0xFF, 0x80, 0, 0, 9, 0xFF, 0x80, 0, 0, 9, 0xFF, 1, 0, 0, 8, 1, 1, 0, 0, 8, 2})
	f.Fuzz(func(t *testing.T, data []byte) {
		var frames []bus.Frame
		at := time.Duration(0)
		for ; len(data) >= 5; data = data[5:] {
			at += time.Duration(data[1])*time.Duration(data[1])*time.Duration(data[2]+1)*37*us + 50*us
			frame := bus.Frame{At: at, ID: bus.ID(data[0] & 7), Length: data[3] % 9, Kind: bus.Kind(data[3] / 86), AfterGap: data[2] == 255}
			if data[0]&0x80 != 0 {
				frame.ID |= bus.Extended
			}
			for i := range frame.Data[:8] {
				frame.Data[i] = data[4] * byte(i)
			}
			frames = append(frames, frame)
		}
		inv := Take(bus.NewFrames(frames...), 0, Options{Layouts: OfMessages([]traffic.Message{
			{ID: 1, Length: 4, Selector: &signal.Selector{Bits: 3}, Fields: []traffic.Field{paged(2, field("a", 8, 8, walk)), field("b", 24, 8, walk)}},
		})}).Inventory()
		messages, _ := Fit(inv)
		if len(messages) == 0 {
			return
		}
		_, err := traffic.New(traffic.Config{Messages: messages, BitRate: inv.BitRate.Value, Stream: streams(1)})
		require.NoError(t, err)
	})
}

// Pages that come far more often than the rarest are fitted less often, which is
// said.
func TestPagesFarApart(t *testing.T) {
	selector := &signal.Selector{Bits: 1}
	var frames []bus.Frame
	for i := range 500 {
		f := bus.Frame{At: time.Duration(i) * 10 * ms, ID: 0x10, Length: 1}
		if i == 250 {
			f.Data[0] = 1
		}
		frames = append(frames, f)
	}
	inv := Take(bus.NewFrames(frames...), 0, Options{BitRate: 500_000, Layouts: OfMessages([]traffic.Message{{ID: 0x10, Length: 1, Selector: selector}})}).Inventory()
	messages, notes := Fit(inv)
	require.Len(t, messages[0].Pages, mostTurns+1)
	require.Equal(t, []string{"010: pages that come more than 64 times as often as the rarest are fitted as if 64 times"}, notes)
}

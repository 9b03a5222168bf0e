package bridge

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/fate"
	"stalegauge/bus/mask"
)

func masksFor(t testing.TB, name string, ids ...bus.ID) *mask.Program {
	t.Helper()
	shape, err := mask.ParseShape(name)
	require.NoError(t, err)
	answer, err := mask.Solve(shape, ids, nil, 0)
	require.NoError(t, err)
	return answer.Program
}

// Of frames that the masks turn away the processor hears nothing: they take no
// place in the controller and no work, and are masked, not lost.
func TestMasksTurnFramesAway(t *testing.T) {
	frames := row(4, ms, 0x7F0, 8)
	frames = append(frames, frame(5*ms, a), frame(6*ms, a))
	config := stopped(10*ms, Controller{Frames: 2, Masks: masksFor(t, "two-masks", a)})
	config.Pickup.Cost = 100 * us
	r := newRig(t, config).run(20*ms, frames...)
	require.Equal(t, map[string]uint64{"masked": 4, "sent": 2}, r.close(20*ms))
	require.Equal(t, int64(200*us), r.bridge.Stages()[1].Busy)

	config.Controller.Masks = nil
	r = newRig(t, config).run(20*ms, frames...)
	require.Equal(t, map[string]uint64{"not_listed": 2, "overrun": 4}, r.close(20*ms))
}

// With exact masks the bridge does what it does on a bus without the other
// frames, in every random case.
func TestExactMasksEqualAQuietBus(t *testing.T) {
	for seed := range uint64(40) {
		c, frames := randomCase(seed)
		var ids []bus.ID
		listed := map[bus.ID]bool{}
		for _, f := range c.Forward {
			ids = append(ids, f.ID)
			listed[f.ID] = true
		}
		var quiet []bus.Frame
		for _, f := range frames {
			if f.Kind == bus.Data && listed[f.ID] {
				quiet = append(quiet, f)
			}
		}
		want := newRig(t, c).run(time.Second, quiet...)
		c.Controller.Masks = masksFor(t, "elements-128-64", ids...)
		have := newRig(t, c).run(time.Second, frames...)
		require.Equal(t, want.written, have.written)
		require.Equal(t, want.passed, have.passed)
		counts := have.bridge.Fates()
		require.Equal(t, uint64(len(frames)-len(quiet)), counts[fate.FrameMasked])
	}
}

// Six back-to-back base frames of 8 bytes into 64 bytes: the sixth is lost
// (recomputed). The least time is from the reception of the first of six to that
// of the last; the mean is half a gap longer.
func TestOverrunMeter(t *testing.T) {
	const gap = 222 * us
	for _, x := range []struct {
		controller Controller
		places     int
	}{{Controller{Bytes: 64}, 5}, {Controller{Frames: 32}, 32}, {Controller{Frames: 3}, 3}} {
		m := NewOverrunMeter(x.controller)
		frames := row(200, gap, a, 8)
		for i := range frames {
			m.Receive(&frames[i])
		}
		least, mean, ok := m.Result()
		require.True(t, ok)
		require.Equal(t, time.Duration(x.places)*gap, least)
		require.InDelta(t, float64(least+gap/2), float64(mean), 2)

		// What the meter calls least is what a real stop survives, and no more.
		stop := frames[0].At
		c := stopped(stop+least, x.controller)
		r := newRig(t, c).run(time.Second, frames[:x.places+1]...)
		require.Zero(t, r.close(time.Second)["overrun"])
		c.Stalls[0].Until++
		r = newRig(t, c).run(time.Second, frames[:x.places+1]...)
		require.Equal(t, uint64(1), r.close(time.Second)["overrun"])
	}
	m := NewOverrunMeter(Controller{})
	m.Receive(&bus.Frame{})
	_, _, ok := m.Result()
	require.False(t, ok)

	m = NewOverrunMeter(Controller{Frames: 1, Masks: masksFor(t, "two-masks", a)})
	for _, f := range append(row(3, ms, 0x7F0, 8), frame(4*ms, a), frame(9*ms, a)) {
		m.Receive(&f)
	}
	least, _, ok := m.Result()
	require.True(t, ok)
	require.Equal(t, 5*ms, least)
}

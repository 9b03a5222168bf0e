package study

import (
	"math"
	"math/rand/v2"
	"os"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// counts returns short, or long when the long checks were asked for.
func counts(short, long int) int {
	if os.Getenv("STALEGAUGE_LONG") == "1" {
		return long
	}
	return short
}

// display is a small world with a known answer: one display that shows one signal,
// an update every period, each lost by a two-state chain that steps once an update.
// Nothing delays it, so the bus itself is never older than one period.
type display struct {
	period     time.Duration
	toBad, out float64 // chances to go to the bad state and to leave it, an update
	updates    int     // in one window
	limit      time.Duration
	quantile   float64
	unknown    float64       // share of the window, at its start
	busDelay   time.Duration // adds to every age, on the bus already
	seed       uint64
}

func (d *display) plan(replications int) *scenarios.Plan {
	shown := scenarios.Shown{Period: d.period}
	if d.limit > 0 {
		shown.Limit = &scenarios.Limit{Quantile: d.quantile, Value: d.limit}
	}
	return &scenarios.Plan{
		Name: "one signal", Replications: replications, Duration: time.Duration(d.updates) * d.period,
		Vehicle: scenarios.Vehicle{Receivers: []scenarios.Receiver{{Name: "dial", Shows: []scenarios.Shown{shown}}}},
	}
}

// run is one replication. It starts in the stationary law, by warming up.
func (d *display) run(_ *scenarios.Plan, replication int) (*sim.Replication, error) {
	dice := rand.New(rand.NewPCG(d.seed, uint64(replication)))
	glass, floor := age.NewTrack(d.limit), age.NewTrack(d.limit)
	window := time.Duration(d.updates) * d.period
	begin := 200 * d.period
	phase := time.Duration(dice.Float64() * float64(d.period))
	opening := begin + time.Duration(d.unknown*float64(window))
	bad := dice.Float64() < d.toBad/(d.toBad+d.out)
	held := time.Duration(math.MinInt64)
	for k := 0; ; k++ {
		now := time.Duration(k)*d.period + phase
		if now >= begin+window {
			break
		}
		if now >= opening && !glass.IsOpen() {
			glass.Open(opening, held-d.busDelay)
			floor.Open(opening, now-d.period-d.busDelay)
		}
		floor.Update(now, now-d.busDelay)
		if !bad {
			held = now
			glass.Update(now, now-d.busDelay)
			bad = dice.Float64() < d.toBad
		} else {
			bad = dice.Float64() >= d.out
		}
	}
	if glass.IsOpen() {
		glass.Close(begin + window)
		floor.Close(begin + window)
	}
	return &sim.Replication{
		Index: replication, Span: begin + window, Frames: uint64(d.updates), BusBusy: window / 10,
		Stages: []bridge.StageUse{{Name: "pickup", Busy: int64(window / 5), HasServer: true, HighWater: replication % 3, Unit: "frames"}},
		Air:    sim.Air{Window: window, Own: window / 20, Occupied: window / 10, Broadcasts: uint64(d.updates), Records: 2 * uint64(d.updates)},
		Receivers: []sim.ReceiverRun{{
			Window: window, Filled: glass.Observed() > 0, FirstPicture: phase,
			Signals: []sim.SignalRun{{Glass: glass, Memory: glass, Floor: floor, Waterfall: split(glass)}},
		}},
	}, nil
}

// split gives all of the age to the source and the fading.
func split(glass *age.Track) (w [14]age.Int128) {
	w[0], w[10] = age.FromInt64(1), glass.TwiceArea().Sub(age.FromInt64(1))
	return w
}

// over returns the share of time with an age over x. With k whole periods in x and
// the share f of a further one, it is P(J>=k) - f P(J=k), J counting the losses
// since the last reception: P(J>=0) = 1, P(J>=k) = p (1-b)^(k-1) (Gilbert 1960).
func (d *display) over(x time.Duration) float64 {
	lost := d.toBad / (d.toBad + d.out)
	atLeast := func(k float64) float64 {
		if k == 0 {
			return 1
		}
		return lost * math.Pow(1-d.out, k-1)
	}
	k, f := math.Modf(float64(x) / float64(d.period))
	return atLeast(k) - f*(atLeast(k)-atLeast(k+1))
}

// quantileAge inverts over, in seconds.
func (d *display) quantileAge(level float64) float64 {
	low, high := time.Duration(0), time.Hour
	for high-low > 1 {
		if middle := (low + high) / 2; d.over(middle) > 1-level {
			low = middle
		} else {
			high = middle
		}
	}
	return seconds(high)
}

// mean is T (1/2 + p/b), in seconds.
func (d *display) mean() float64 {
	return seconds(d.period) * (.5 + d.toBad/(d.toBad+d.out)/d.out)
}

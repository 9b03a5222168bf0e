package radio

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"
)

// Fading is the state of one Weather as time goes on. Its path is settled by
// the random stream alone: it does not depend on how often or for which
// instants it is asked, so every design meets the same fading.
type Fading struct {
	weather   Weather
	key       uint64
	last      time.Duration // begin of the last broadcast
	path      walk          // at last
	long      walk
	loss      [2]float64 // chance of loss by state
	longLoss  float64
	survival  [2]float64 // ln of the chance that a bit is right, times bits per ns, by state
	hasBits   bool
	outage    int     // first outage that is not over
	trace     *replay // nil without a measurement
	common    *Fading
	listening bool
}

// NewFading returns the fading of w. The path comes from rng, starting in its
// stationary law at time 0; the draws inside a state are functions of key and
// the begin instant. It panics when w.Check finds a mistake or rng is nil.
func NewFading(w Weather, rng *rand.Rand, key uint64) *Fading {
	if err := w.Check(); err != nil {
		panic("radio: " + err.Error())
	}
	if rng == nil {
		panic("radio: NewFading without a random stream")
	}
	f := &Fading{
		weather: w, key: key,
		loss: [2]float64{w.GoodLoss, w.badLoss()}, longLoss: orOne(w.LongLoss),
		hasBits:   w.GoodBitErrors > 0 || w.BadBitErrors > 0,
		listening: w.ListenEvery == 0 || w.Listen == w.ListenEvery,
	}
	f.weather.Outages = append([]Span(nil), w.Outages...)
	perNanosecond := w.BitRate / float64(time.Second)
	f.survival[0] = math.Log1p(-w.GoodBitErrors) * perNanosecond
	f.survival[1] = math.Log1p(-w.BadBitErrors) * perNanosecond
	f.path = newWalk(w.badShare(), w.Burst, rand.NewPCG(rng.Uint64(), rng.Uint64()))
	f.long = newWalk(w.LongShare, w.LongBurst, rand.NewPCG(rng.Uint64(), rng.Uint64()))
	if w.Trace != nil {
		f.trace = newReplay(w.Trace, rng)
	}
	return f
}

// Join makes common a cause of loss for f as well: a broadcast is lost when
// either loses it. A common fading may be joined to any number of receivers,
// which then lose together. It returns f.
func (f *Fading) Join(common *Fading) *Fading {
	for c := common; c != nil; c = c.common {
		if c == f {
			panic("radio: a fading joined to itself")
		}
	}
	if f.common != nil {
		panic("radio: a fading joined twice")
	}
	f.common = common
	return f
}

// Hear says what the receiver makes of a broadcast on the air from begin to
// end. Broadcasts must be asked about in the order of their begins: begin
// never goes back, equal ones are fine and give the same answer. The cost grows
// with the changes of state that lie between two questions; it does not
// allocate.
func (f *Fading) Hear(begin, end time.Duration) Outcome {
	return f.ask(begin, end, packetBits{})
}

// ask is Hear for a packet that may have other bits than those of the weather.
func (f *Fading) ask(begin, end time.Duration, bits packetBits) Outcome {
	if begin < f.last || end < begin {
		panic(fmt.Sprintf("radio: broadcast from %v to %v after one that began at %v", begin, end, f.last))
	}
	f.last = begin
	f.path.advance(begin)
	f.long.advance(begin)
	own := f.hear(begin, end, bits)
	if f.common == nil {
		return own
	}
	if shared := f.common.ask(begin, end, bits); own == Heard {
		return shared
	}
	return own
}

// hear is Hear without a common cause, the paths standing at begin.
func (f *Fading) hear(begin, end time.Duration, bits packetBits) Outcome {
	switch {
	case !f.listening && !f.inWindow(begin, end):
		return NotListening
	case f.inOutage(begin, end), f.weather.AwayEvery > 0 && f.isAway(begin, end):
		return Outage
	case f.trace != nil && !f.trace.received(begin):
		return Faded
	case f.draw(begin, 1) < f.loss[f.path.state]:
		return Faded
	case f.long.state == bad && f.draw(begin, 2) < f.longLoss:
		return Faded
	case f.hasBits && f.draw(begin, 3) >= f.bitsRight(begin, end, bits):
		return BitErrors
	}
	return Heard
}

// inWindow says whether the broadcast lies in one listening window.
func (f *Fading) inWindow(begin, end time.Duration) bool {
	since := sinceLast(begin, f.weather.ListenFrom, f.weather.ListenEvery)
	return since < f.weather.Listen && end-begin <= f.weather.Listen-since
}

// isAway says whether the broadcast overlaps a look at other channels.
func (f *Fading) isAway(begin, end time.Duration) bool {
	since := sinceLast(begin, f.weather.AwayFrom, f.weather.AwayEvery)
	return since < f.weather.Away || end-begin > f.weather.AwayEvery-since
}

// sinceLast is the time since the last of the instants from + k x every.
func sinceLast(now, from, every time.Duration) time.Duration {
	since := (now - from) % every
	if since < 0 {
		since += every
	}
	return since
}

// inOutage says whether the broadcast overlaps an outage.
func (f *Fading) inOutage(begin, end time.Duration) bool {
	outages := f.weather.Outages
	for f.outage < len(outages) && outages[f.outage].Until <= begin {
		f.outage++
	}
	if f.outage == len(outages) {
		return false
	}
	from := outages[f.outage].From
	return from <= begin || from < end
}

// bitsRight is the chance that every bit of a broadcast is right: the product
// over the times spent in each state.
func (f *Fading) bitsRight(begin, end time.Duration, bits packetBits) float64 {
	scale := 1.0
	if bits.perSecond == 0 {
		bits.preamble = f.weather.Preamble
	} else {
		scale = bits.perSecond / f.weather.BitRate
	}
	w, now, sum := f.path, later(begin, bits.preamble), 0.0
	if now >= end {
		return 1
	}
	w.advance(now)
	for {
		stop := min(w.until, end)
		if stop > now && f.survival[w.state] != 0 { // 0 times an infinity is no number
			sum += float64(stop-now) * f.survival[w.state]
		}
		if stop == end {
			return math.Exp(sum * scale)
		}
		now = stop
		w.advance(now)
	}
}

// draw returns a number uniform on 0 <= u < 1, a function of key, instant and
// purpose alone.
func (f *Fading) draw(at time.Duration, purpose uint64) float64 {
	x := mix(mix(f.key^purpose*0x9e3779b97f4a7c15) ^ uint64(at))
	return float64(x>>11) * 0x1p-53
}

// mix is the finaliser of SplitMix64 (Steele, Lea, Flood, OOPSLA 2014) behind
// one step of its counter.
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// The states of a walk.
const (
	good = 0
	bad  = 1
)

// walk is a place on the path of a two-state process. A copy goes the same way
// without moving the original.
type walk struct {
	pcg   rand.PCG
	mean  [2]float64 // ns in a state
	until time.Duration
	state uint8
}

// newWalk returns the walk at 0, in its stationary law, for a share of time in
// the bad state and the mean time of one stay there. pcg is used up.
func newWalk(share float64, burst time.Duration, pcg *rand.PCG) walk {
	w := walk{pcg: *pcg, until: never}
	switch {
	case share <= 0:
		return w
	case share >= 1:
		w.state = bad
		return w
	}
	w.mean = [2]float64{float64(burst) * (1 - share) / share, float64(burst)}
	if w.uniform() < share {
		w.state = bad
	}
	w.until = w.stay()
	return w
}

// uniform draws from 0 <= u < 1.
func (w *walk) uniform() float64 { return float64(w.pcg.Uint64()>>11) * 0x1p-53 }

// stay draws the time in the present state. Exponential stays have no memory,
// so the first one from time 0 has the same law.
func (w *walk) stay() time.Duration { return exponential(w.uniform(), w.mean[w.state]) }

// advance goes on to now, which must not lie behind.
func (w *walk) advance(now time.Duration) {
	for w.until <= now && w.until != never {
		w.state ^= 1
		w.until = later(w.until, w.stay())
	}
}

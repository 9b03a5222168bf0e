package radio

import (
	"fmt"
	"time"
)

// Outcome says what a receiver made of a broadcast.
type Outcome uint8

// The outcomes. Of several reasons for a loss the last in this order is given,
// but Faded before BitErrors.
const (
	Heard        Outcome = iota
	Faded                // lost by the state at the begin
	BitErrors            // at least one bit was wrong
	Outage               // overlapped a scripted outage
	Collided             // with another energy on the air; Fading never says so, Listener does
	NotListening         // not within one listening window
)

// String returns the outcome as ledgers write it.
func (o Outcome) String() string {
	return [...]string{"heard", "faded", "bit_errors", "outage", "collided", "not_listening"}[o]
}

// Span is the time From <= t < Until.
type Span struct{ From, Until time.Duration }

// Weather is the loss between a sender and one receiver: a two-state process in
// continuous time (Gilbert 1960, Elliott 1963, with exponential sojourns), and
// what else keeps a receiver from hearing. The zero value hears everything.
//
// The state at the instant a broadcast begins decides its loss, so Loss is the
// share lost at any length and any rate of sending. Length counts through bit
// errors.
type Weather struct {
	Loss     float64       // share of broadcasts lost, 0..1
	Burst    time.Duration // mean time in the bad state, from 100us; not needed when Loss equals GoodLoss (independent losses)
	GoodLoss float64       // chance of loss in the good state
	BadLoss  float64       // chance of loss in the bad state; 0 means 1

	// Trace is a measurement that takes the place of Loss, Burst, GoodLoss and
	// BadLoss, which must then be 0; what it lost counts as Faded. nil = none.
	Trace *Trace

	// A second, independent bad state, rare and long; a broadcast is lost
	// when either loses it, so its losses come on top of Loss.

	LongShare float64       // of the time spent in it, 0..1; 0 = there is none
	LongBurst time.Duration // mean time in it, from 100us
	LongLoss  float64       // chance of loss in it; 0 means 1

	// Bit errors: independent, at a rate given by the state that holds while
	// the bit is on the air.

	GoodBitErrors float64       // bit error rate in the good state, 0..1
	BadBitErrors  float64       // and in the bad state, 0..1
	BitRate       float64       // bits per second on the air, needed for bit errors; see On
	Preamble      time.Duration // at the start of a broadcast, without bits

	Outages []Span // in order, apart from each other; a broadcast that overlaps one is lost

	// The receiver leaves its channel for Away out of every AwayEvery, from
	// AwayFrom on and before, to look for others: outages without end. 0 = never.

	Away, AwayEvery time.Duration
	AwayFrom        time.Duration // when one begins, 0 <= AwayFrom < AwayEvery

	// The receiver listens for Listen out of every ListenEvery, from
	// ListenFrom on and before; 0 = all of the time. A broadcast must lie in
	// one such window entirely.

	Listen, ListenEvery time.Duration
	ListenFrom          time.Duration // when a window opens, 0 <= ListenFrom < ListenEvery
}

// shortestBurst bounds the work of the process. Shorter bursts than a frame are
// independent losses, which need no burst at all.
const shortestBurst = 100 * time.Microsecond

// longestBurst is ten years.
const longestBurst = 87600 * time.Hour

// On returns w with the bits of the broadcasts of p, for bit errors.
func (w Weather) On(p Profile) Weather {
	w.Preamble, w.BitRate = p.Signal()
	return w
}

// badLoss is the chance of loss in the bad state.
func (w Weather) badLoss() float64 { return orOne(w.BadLoss) }

// orOne returns x, or 1 when it is not set.
func orOne(x float64) float64 {
	if x == 0 {
		return 1
	}
	return x
}

// badShare is the share of time in the bad state that makes the losses come to
// Loss.
func (w Weather) badShare() float64 {
	if w.Loss <= w.GoodLoss {
		return 0
	}
	return min(1, (w.Loss-w.GoodLoss)/(w.badLoss()-w.GoodLoss))
}

// Check returns every mistake in w, each a *Mistake, joined.
func (w Weather) Check() error {
	var m mistakes
	shares := m.share("loss", w.Loss)
	shares = m.share("good_loss", w.GoodLoss) && shares
	shares = m.share("bad_loss", w.BadLoss) && shares
	if shares && w.GoodLoss > w.Loss {
		m.add("good_loss", w.GoodLoss, fmt.Sprintf("at most loss (%v)", w.Loss))
	}
	if shares && w.badLoss() < w.Loss {
		m.add("bad_loss", w.BadLoss, fmt.Sprintf("at least loss (%v)", w.Loss))
	}
	if w.Trace != nil && (w.Loss != 0 || w.Burst != 0 || w.GoodLoss != 0 || w.BadLoss != 0) {
		m.add("trace", "given", "none beside loss, burst, good_loss or bad_loss")
	}
	if w.Burst != 0 || w.Loss > w.GoodLoss {
		m.between("burst", w.Burst, shortestBurst, longestBurst)
	}
	m.share("long_share", w.LongShare)
	m.share("long_loss", w.LongLoss)
	if w.LongBurst != 0 || w.LongShare > 0 {
		m.between("long_burst", w.LongBurst, shortestBurst, longestBurst)
	}
	w.checkBits(&m)
	w.checkTimes(&m)
	return m.err()
}

// checkBits notes mistakes about bit errors.
func (w Weather) checkBits(m *mistakes) {
	m.share("good_bit_errors", w.GoodBitErrors)
	m.share("bad_bit_errors", w.BadBitErrors)
	if w.BadBitErrors > 0 && w.badShare() == 0 {
		m.add("bad_bit_errors", w.BadBitErrors, "none without a bad state: loss must exceed good_loss")
	}
	needed := w.GoodBitErrors > 0 || w.BadBitErrors > 0
	if !finite(w.BitRate) || w.BitRate < 0 || needed && w.BitRate == 0 {
		m.add("bit_rate", w.BitRate, "the bits per second on the air")
	}
	if w.Preamble < 0 {
		m.add("preamble", w.Preamble, "a time of 0 or more")
	}
}

// checkTimes notes mistakes about outages and listening.
func (w Weather) checkTimes(m *mistakes) {
	var last time.Duration
	for i, o := range w.Outages {
		if o.From < last {
			m.add(fmt.Sprintf("outages[%d].from", i), o.From, fmt.Sprintf("a time from %v on: outages stand in order and apart", last))
		}
		if o.Until <= o.From {
			m.add(fmt.Sprintf("outages[%d].until", i), o.Until, fmt.Sprintf("a time after from (%v)", o.From))
		}
		last = max(last, o.Until)
	}
	m.periodic("listen", w.Listen, w.ListenEvery, w.ListenFrom)
	m.periodic("away", w.Away, w.AwayEvery, w.AwayFrom)
}

// periodic notes what is wrong with something that lasts a length out of every
// period, all 0 when there is none.
func (m *mistakes) periodic(key string, length, every, from time.Duration) {
	if every == 0 && length == 0 && from == 0 {
		return
	}
	if every <= 0 || every > longestBurst {
		m.add(key+"_every", every, fmt.Sprintf("a period from 1ns to %v", longestBurst))
		return
	}
	if length <= 0 || length > every {
		m.add(key, length, fmt.Sprintf("a time up to %s_every (%v)", key, every))
	}
	if from < 0 || from >= every {
		m.add(key+"_from", from, fmt.Sprintf("a time from 0 to below %s_every (%v)", key, every))
	}
}

package scenarios

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"stalegauge/radio"
)

// positionNames are the words that weather.position may hold.
func positionNames() []string {
	out := []string{"none"}
	for _, p := range radio.Positions() {
		out = append(out, p.Name)
	}
	return out
}

// position lays the figures of a named position under what was given: a value
// holds where it was written for the same display or in the same or an upper
// text.
func (b *builder) position(v *value) {
	pos := v.get("position")
	for _, p := range radio.Positions() {
		if !pos.is(p.Name) {
			continue
		}
		w := p.Weather
		long, longLoss := w.LongBurst, w.LongLoss
		if w.LongShare == 0 {
			long, longLoss = time.Second, 1
		}
		for key, x := range map[string]any{
			"loss": w.Loss, "burst": w.Burst, "good_loss": w.GoodLoss, "bad_loss": orOne(w.BadLoss),
			"long_share": w.LongShare, "long_burst": long, "long_loss": orOne(longLoss),
		} {
			if k := v.get(key); !k.holdsOver(pos) {
				k.given, k.from, k.parsed = false, nil, x
				k.because = "position " + p.Name + ", " + radio.PositionsAre
			}
		}
	}
}

// orOne returns x, or 1 when it is not set.
func orOne(x float64) float64 {
	if x == 0 {
		return 1
	}
	return x
}

// holdsOver says whether a value of a display, or the general one, goes before
// what another key of the same block brings along.
func (v *value) holdsOver(other *value) bool {
	own, general := v.from == nil, other.from != nil
	switch {
	case own && general:
		return v.given
	case !own && !general:
		return false
	}
	return holding(v).given && holding(v).layer() >= holding(other).layer()
}

// absence reads when a receiver follows a channel that moves, and when it leaves
// its channel to look for others.
func (b *builder) absence(v *value, w *radio.Weather) {
	move, away := v.get("move"), v.get("away")
	if at := move.get("at"); at.is("none") {
		b.pointless(move.get("takes"), at, "has no effect without a move", "say when the channel moves, such as at: 60s")
	} else {
		w.Outages = withOutage(w.Outages, radio.Span{From: at.time(), Until: at.time() + move.get("takes").time()})
	}
	every, takes, first := away.get("every"), away.get("takes"), away.get("first")
	if every.is("none") {
		for _, k := range []*value{takes, first} {
			b.pointless(k, every, "has no effect without every", "say how often it looks for other channels, such as every: 60s")
		}
		return
	}
	switch {
	case takes.time() > every.time():
		b.contradiction(fmt.Sprintf("is away for %s out of every %s", formatDuration(takes.time()), formatDuration(every.time())), "takes is at most every", givenOf(takes), givenOf(every))
	case first.time() >= every.time():
		b.contradiction(fmt.Sprintf("away at %s of every %s", formatDuration(first.time()), formatDuration(every.time())), "first lies below every", givenOf(first), givenOf(every))
	default:
		w.Away, w.AwayEvery, w.AwayFrom = takes.time(), every.time(), first.time()
	}
}

// withOutage puts a span among others that stand in order; what overlaps becomes
// one.
func withOutage(spans []radio.Span, s radio.Span) []radio.Span {
	var out []radio.Span
	for i, o := range spans {
		switch {
		case o.Until < s.From:
			out = append(out, o)
		case o.From > s.Until:
			return append(append(out, s), spans[i:]...)
		default:
			s = radio.Span{From: min(s.From, o.From), Until: max(s.Until, o.Until)}
		}
	}
	return append(out, s)
}

// signalToNoise reads the bit errors that follow from signal-to-noise ratios.
func (b *builder) signalToNoise(v *value) {
	for _, state := range []string{"good", "bad"} {
		snr, errs := v.get(state+"_snr"), v.get(state+"_bit_errors")
		if snr.is("none") || b.plan.Radio == nil {
			continue
		}
		if errs.holdsOver(snr) {
			b.contradiction("stands beside "+holding(snr).path, "leave one of them out", givenOf(errs), givenOf(snr))
			continue
		}
		rate, ok := radio.BitErrorRate(b.plan.Radio, snr.float())
		if !ok {
			b.contradiction("no formula gives the bit errors of the radio profile "+b.plan.Radio.Name()+" at this rate", "give "+state+"_bit_errors", givenOf(snr), b.root.get("radio").get("profile"))
			continue
		}
		errs.given, errs.from, errs.parsed = false, nil, rate
		errs.because = fmt.Sprintf("from %s of %s", holding(snr).path, formatValue(number, snr.parsed))
	}
}

// trace reads a measurement that takes the place of the two states. The trace of
// all displays does not hold for one that has a loss of its own.
func (b *builder) trace(v *value, w *radio.Weather) {
	file, period := v.get("trace").get("file"), v.get("trace").get("period")
	if file.is("none") {
		b.pointless(period, file, "has no effect without a trace", "give file: losses.csv or the like")
		return
	}
	replaced := []string{"position", "loss", "burst", "good_loss", "bad_loss"}
	if file.from != nil && slices.ContainsFunc(replaced, func(name string) bool { return v.get(name).from == nil && v.get(name).given }) {
		file.from, file.unused, period.from, period.unused = nil, true, nil, true // the display has a loss of its own
		return
	}
	for _, name := range replaced {
		if k := v.get(name); k.holdsOver(file) {
			b.contradiction("has no effect beside "+holding(file).path, "the trace is all the loss of the two states", givenOf(k), givenOf(file))
		} else {
			k.given, k.from, k.unused = false, nil, true
		}
	}
	w.Loss, w.Burst, w.GoodLoss, w.BadLoss = 0, 0, 0, 0
	at := holding(file).fileAt()
	trace, err := b.readTrace(at, period.time())
	if err == nil {
		w.Trace = trace
		return
	}
	if v.get("trace").get("file").from != nil && b.traces[at].told {
		return
	}
	b.traces[at].told = true
	g := givenOf(file)
	for _, one := range flatten(err) {
		b.mistakes = append(b.mistakes, g.at.mistake(g.path, one, "", ""))
	}
}

// readTrace reads a trace once for all displays.
func (b *builder) readTrace(at string, period time.Duration) (*radio.Trace, error) {
	if known := b.traces[at]; known != nil && known.period == period {
		return known.trace, known.err
	}
	file, err := os.Open(at)
	if err != nil {
		err = fmt.Errorf("%s: %w", at, reason(err))
	}
	read := &readTrace{period: period, err: err}
	if err == nil {
		read.trace, read.err = radio.ReadTrace(at, file, period)
		read.err = errors.Join(read.err, file.Close())
	}
	if read.err == nil {
		if filled := read.trace.Filled(); filled > 0 {
			b.warn("%s: holes are %s of the trace; they are filled by the two states fitted to the rest", at, formatNumber(share, filled))
		}
		b.warn("%s: %s, looped from a random place in each replication: the intervals speak of this measurement only", at, formatDuration(read.trace.Length()))
	}
	if b.traces == nil {
		b.traces = map[string]*readTrace{}
	}
	b.traces[at] = read
	return read.trace, read.err
}

// readTrace is a trace that was read.
type readTrace struct {
	trace  *radio.Trace
	period time.Duration
	err    error
	told   bool // its mistakes have been reported
}

package scenarios

import (
	"fmt"
	"strings"
	"time"

	"stalegauge/radio"
)

// weather reads the loss on the way to one receiver. Where the block is silent
// the general weather holds.
func (b *builder) weather(v *value) radio.Weather {
	b.position(v)
	b.signalToNoise(v)
	w := radio.Weather{
		Loss: v.get("loss").float(), Burst: v.get("burst").time(),
		GoodLoss: v.get("good_loss").float(), BadLoss: v.get("bad_loss").float(),
	}
	var all []*value
	for _, k := range v.kids {
		all = append(all, k)
		if k.from != nil {
			all = append(all, k.from)
		}
	}
	percent := func(k string) string { return formatValue(share, v.get(k).parsed) }
	fine := false
	switch {
	case w.GoodLoss > w.Loss:
		b.contradiction("a good state that loses "+percent("good_loss")+" does not go with a loss of "+percent("loss"), "good_loss is at most loss",
			append([]*value{givenOf(v.get("good_loss"))}, all...)...)
	case w.BadLoss < w.Loss:
		b.contradiction("a bad state that loses "+percent("bad_loss")+" does not go with a loss of "+percent("loss"), "bad_loss is at least loss",
			append([]*value{givenOf(v.get("bad_loss"))}, all...)...)
	default:
		fine = true
	}
	b.longState(v, &w)
	b.bitErrors(v, &w, fine)
	w.Outages = b.outages(v.get("outages"))
	b.listening(v, &w)
	b.trace(v, &w)
	if !fine {
		return w
	}
	w.Outages, all = nil, append(all, b.root.get("radio")) // looked at already, each in its place
	for _, m := range radioMistakes(w.Check()) {
		at := v
		if v.key.kid(m.Key) != nil {
			at = givenOf(v.get(m.Key))
		}
		b.contradiction(m.Found+" is not possible here: expected "+m.Want, "", append([]*value{at}, all...)...)
	}
	w.Outages = b.spans(v.get("outages"))
	b.absence(v, &w)
	return w
}

// givenOf returns the value that holds: the general one where this one is
// silent and the general one was given.
func givenOf(v *value) *value {
	if v.from != nil && v.from.given {
		return v.from
	}
	return v
}

// holding returns the value that holds, given or not.
func holding(v *value) *value {
	if v.from != nil {
		return v.from
	}
	return v
}

// pointless settles a value of a weather that has no effect. Written in the same
// text as what makes it so, or above it, it is a contradiction.
func (b *builder) pointless(v, other *value, sentence, hint string) {
	if v.given {
		b.besides(v, holding(other), sentence, hint)
	}
	v.unused = true
}

// longState reads the second bad state.
func (b *builder) longState(v *value, w *radio.Weather) {
	long := v.get("long_share")
	if long.float() == 0 {
		for _, k := range []string{"long_burst", "long_loss"} {
			b.pointless(v.get(k), long, "has no effect without a long_share", "say which share of the time is spent in the second bad state")
		}
		return
	}
	w.LongShare, w.LongBurst, w.LongLoss = long.float(), v.get("long_burst").time(), v.get("long_loss").float()
}

// bitErrors reads the bit errors of both states.
func (b *builder) bitErrors(v *value, w *radio.Weather, fine bool) {
	good, bad := v.get("good_bit_errors"), v.get("bad_bit_errors")
	if b.plan.Radio == nil {
		return
	}
	*w = w.On(b.plan.Radio)
	if w.BitRate == 0 {
		for _, k := range []*value{good, bad} {
			if k.float() > 0 {
				b.contradiction("bit errors on the radio profile "+b.plan.Radio.Name()+", whose broadcasts have no bits", "give radio.per_byte or another profile", givenOf(k), b.root.get("radio").get("profile"))
			}
		}
		return
	}
	if bad.float() > 0 && fine && w.Loss == w.GoodLoss {
		b.contradiction("bit errors in a bad state that never comes", "loss must exceed good_loss", givenOf(bad), holding(v.get("loss")))
		return
	}
	w.GoodBitErrors, w.BadBitErrors = good.float(), bad.float()
}

// outages reads the spans in which nothing is heard and reports what is wrong
// with them, once where several displays share them.
func (b *builder) outages(v *value) []radio.Span {
	spans := b.spans(v)
	if v.from != nil {
		return spans
	}
	var last time.Duration
	for i, s := range spans {
		from, until := v.kids[i].get("from"), v.kids[i].get("until")
		if s.Until <= s.From {
			b.contradiction(fmt.Sprintf("an outage from %s until %s", formatDuration(s.From), formatDuration(s.Until)), "until lies after from", until, from)
		}
		if s.From < last {
			b.contradiction(fmt.Sprintf("begins at %s, before the outage above it ends, at %s", formatDuration(s.From), formatDuration(last)), "outages stand in order and apart",
				from, v.kids[i-1].get("until"), v.kids[i-1].get("from"))
		}
		last = max(last, s.Until)
	}
	return spans
}

func (b *builder) spans(v *value) []radio.Span {
	var spans []radio.Span
	for _, s := range holding(v).kids {
		spans = append(spans, radio.Span{From: s.get("from").time(), Until: s.get("until").time()})
	}
	return spans
}

// listening reads when the radio listens.
func (b *builder) listening(v *value, w *radio.Weather) {
	open, every, from := v.get("listen"), v.get("listen_every"), v.get("listen_from")
	if open.is("always") {
		for _, k := range []*value{every, from} {
			b.pointless(k, open, "has no effect, as the radio listens always", "say how long it listens, such as listen: 75ms")
		}
		return
	}
	w.Listen, w.ListenEvery, w.ListenFrom = open.time(), every.time(), from.time()
	switch {
	case w.Listen > w.ListenEvery:
		b.contradiction(fmt.Sprintf("listens for %s out of every %s", formatDuration(w.Listen), formatDuration(w.ListenEvery)), "listen is at most listen_every", givenOf(open), givenOf(every))
		w.Listen = w.ListenEvery
	case w.ListenFrom >= w.ListenEvery:
		b.contradiction(fmt.Sprintf("a window at %s of every %s", formatDuration(w.ListenFrom), formatDuration(w.ListenEvery)), "listen_from lies below listen_every", givenOf(from), givenOf(every))
		w.ListenFrom = 0
	}
}

// common reads the cause of loss that all receivers share.
func (b *builder) common(v *value) {
	loss, burst := v.get("loss"), v.get("burst")
	if loss.float() == 0 {
		b.pointless(burst, loss, "has no effect without a loss", "say which share of broadcasts no receiver hears")
		return
	}
	w := radio.Weather{Loss: loss.float(), Burst: burst.time()}
	if b.plan.Radio != nil {
		w = w.On(b.plan.Radio)
	}
	for _, m := range radioMistakes(w.Check()) {
		b.contradiction(m.Found+" is not possible here: expected "+m.Want, "", v.get(strings.ReplaceAll(m.Key, "-", "_")), loss, burst)
	}
	b.plan.Common = &w
}

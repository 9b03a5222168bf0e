package sim

import (
	"time"

	"stalegauge/bus"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

// mostKept is how many changes of a value a history keeps for displays that lag
// behind. A change that so many later ones follow before a display shows it
// counts as never shown.
const mostKept = 4096

// spell is a stretch of time in which a signal has one value on the bus.
type spell struct {
	validFrom time.Duration // valid-time of the first frame that carries it
	seen      time.Duration // reception of that frame
	changed   time.Duration // when the value became so at its source
	raw       uint64
}

// history is what the bus has carried of one signal: its values as spells, for as
// long as a display may still ask for them.
type history struct {
	signal signal.Definition
	codec  signal.Codec
	curve  *traffic.Curve // of a law with instants of change; nil = a change is a frame with another value
	spells ring[spell]
	first  int64 // number of the oldest spell kept
	known  bool  // the newest spell is connected to the traffic of now
	heard  time.Duration
	views  []*view
}

// end is the number that the next spell will have.
func (h *history) end() int64 { return h.first + int64(h.spells.len()) }

func (h *history) spell(number int64) *spell { return h.spells.at(int(number - h.first)) }

// receive takes a frame of the signal's page in.
func (h *history) receive(f *bus.Frame) {
	raw, ok := h.codec.Raw(f.Payload())
	if !ok {
		return
	}
	if !h.known { // nobody saw it change
		h.push(spell{f.Released, f.At, -1, raw})
		h.known, h.heard = true, f.Released
		return
	}
	same := h.spell(h.end()-1).raw == raw
	changed := f.Released
	if h.curve != nil {
		var instants int
		for at := h.curve.NextChange(h.heard); at <= f.Released; at = h.curve.NextChange(at) {
			if instants > 0 {
				h.overwrite(changed)
			}
			changed = at
			instants++
		}
		if instants > 0 && same {
			h.overwrite(changed)
		}
	}
	h.heard = f.Released
	if !same {
		h.push(spell{f.Released, f.At, changed, raw})
	}
}

// overwrite tells the displays of a change that no frame carried.
func (h *history) overwrite(changed time.Duration) {
	for _, v := range h.views {
		if c := v.countOf(changed); c != nil {
			c.Overwritten++
		}
	}
}

// push adds a spell and lets go of those that nobody needs any more.
func (h *history) push(s spell) {
	if h.spells.len() >= mostKept/16 {
		h.trim(s.seen)
	}
	h.spells.push(s)
}

// trim drops the spells that every display has passed, and those beyond
// mostKept.
func (h *history) trim(now time.Duration) {
	need := h.end() - 1
	for _, v := range h.views {
		need = min(need, v.needs())
	}
	if least := h.end() - mostKept; need < least {
		for _, v := range h.views {
			v.receiver.advance(now)
			v.follow(min(now, v.receiver.now))
			v.skip(least)
		}
		need = least
	}
	for h.first < need {
		h.spells.pop()
		h.first++
	}
}

// cut ends what is connected: the next frame begins anew.
func (h *history) cut() { h.known = false }

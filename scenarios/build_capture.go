package scenarios

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/signal"
)

// timeUnits are the words of bus.capture.time_unit.
var timeUnits = map[string]time.Duration{"s": time.Second, "ms": time.Millisecond, "us": time.Microsecond, "ns": time.Nanosecond}

// setKeys are the keys of a message that make it part of a message set. Beside a
// capture they have no effect.
var setKeys = []string{"period", "remote", "jitter", "drift", "phase", "node", "overwrite", "events"}

// replaced settles a capture beside a message set, before either is built. It
// reports whether there is a capture.
func (b *builder) replaced(v *value) bool {
	c := v.get("capture")
	file := c.get("file")
	if file.is("none") {
		for _, k := range c.kids {
			if k != file {
				b.besides(k, file, "has no effect without a capture", "give file: drive.log or the like")
			}
		}
		return false
	}
	b.hasCapture = true
	if file.bad || anyBad(file.kids...) {
		return true // of which nothing is known
	}
	const sentence = "has no effect beside bus.capture"
	const hint = "the capture is all the traffic; messages may say where signals lie"
	for _, m := range v.get("messages").kids {
		b.besides(firstGiven(m, setKeys), file, sentence, hint)
		for _, k := range setKeys {
			m.get(k).silence()
		}
		for _, s := range m.get("signals").kids {
			b.besides(s.get("value"), file, sentence, hint)
		}
	}
	for _, k := range []string{"filler", "timeline", "bit_errors", "error_frames"} {
		b.besides(v.get(k), file, sentence, hint)
	}
	return true
}

// firstGiven returns the uppermost of some keys of a block that were given, nil
// when none was.
func firstGiven(v *value, keys []string) *value {
	var first *value
	for _, name := range keys {
		k := v.get(name)
		if k.given && (first == nil || k.layer() > first.layer() || k.layer() == first.layer() && k.at.line < first.at.line) {
			first = k
		}
	}
	return first
}

// besides settles a value that the other one makes pointless: a contradiction
// when it was written beside or above it, else it is dropped.
func (b *builder) besides(v, other *value, sentence, hint string) {
	if v == nil {
		return
	}
	if v.given && v.layer() >= other.layer() {
		b.contradiction(sentence, hint, v, other)
	}
	v.silence()
}

// silence drops what was given, here and below.
func (v *value) silence() {
	v.given, v.unused = false, true
	if v.key.kind == names || v.key.kind == items {
		v.kids, v.parsed = nil, nil
		return
	}
	if v.key.kind != section {
		v.reset()
	}
	for _, k := range v.kids {
		k.silence()
	}
}

// offsets works out where replications begin.
func (b *builder) offsets(c *value) {
	plan, offset := b.plan.Bus.Capture, c.get("offset")
	plan.Round = plan.Summary.Span
	if plan.Loop {
		round, err := plan.Summary.Round()
		if err != nil {
			b.contradiction(err.Error(), "give loop: false", c.get("file"), c.get("loop"))
			return
		}
		plan.Round = round
	}
	switch {
	case !offset.is("random"):
		plan.Offset = offset.time()
		if !plan.Loop && plan.Offset >= plan.Round {
			b.contradiction(fmt.Sprintf("lies behind the end of the capture, at %s", formatDuration(plan.Round)), "", offset, c.get("file"), c.get("loop"))
		}
	case plan.Loop && !b.plan.FixedPhases:
		plan.Offsets = plan.Round
	}
}

// captureEnd sees that a capture that is not looped lasts to the end of the run.
// What is left over is where replications may begin.
func (b *builder) captureEnd() {
	c := b.plan.Bus.Capture
	if c == nil || c.Loop || len(b.plan.Receivers) == 0 || anyBad(b.root.get("duration"), b.root.get("phases").get("end")) {
		return
	}
	v := b.root.get("bus").get("capture")
	left := c.Round - c.Offset
	if left <= 0 {
		return // the offset has been complained about
	}
	from, end := b.plan.Window()
	if start := slices.Max(from); left <= start {
		b.contradiction(fmt.Sprintf("the capture holds %s from its offset on, but ages count only from %s on", formatDuration(left), formatDuration(start)),
			"loop it, or show signals that come more often", v.get("loop"), v.get("file"))
		return
	}
	if end > left {
		b.contradiction(fmt.Sprintf("the capture holds %s from its offset on, but the run ends at %s", formatDuration(left), formatDuration(end)),
			"loop it, or give a shorter duration", v.get("loop"), v.get("file"))
		return
	}
	if v.get("offset").is("random") && !b.plan.FixedPhases {
		c.Offsets = left - end
	}
}

// captured makes the forward list entry of an identifier of a capture.
func (b *builder) captured(id bus.ID, declared int) bridge.Forward {
	f := bridge.Forward{ID: id, Selector: b.plan.Selectors[id], Length: declared}
	if c := b.plan.Bus.Capture; c != nil {
		if i, ok := c.find(id); ok && c.Carried[i].Data > 0 {
			f.Length = c.Carried[i].Longest
		}
	}
	return f
}

// captureWarnings notes what a reader of figures from a capture should know.
func (b *builder) captureWarnings() {
	c := b.plan.Bus.Capture
	if c == nil {
		return
	}
	b.warn("one capture: intervals speak of this drive only")
	for _, n := range c.notes() {
		b.warn("%s: %s", c.Name, n)
	}
	if c.Summary.OtherIDs > 0 {
		b.warn("%s: frames of identifiers beyond the first %d have no period of their own: %d", c.Name, maxCarried, c.Summary.OtherIDs)
	}
	var missing, uneven []string
	for _, f := range b.plan.Bridge.Forward {
		if !c.has(f.ID, signal.AnyPage) {
			missing = append(missing, f.ID.String())
			continue
		}
		if i, _ := c.find(f.ID); b.plan.Bridge.Layout.Kind == bridge.LayoutSlot && c.Carried[i].Shortest != c.Carried[i].Longest {
			uneven = append(uneven, fmt.Sprintf("%s (%d to %d bytes)", f.ID, c.Carried[i].Shortest, c.Carried[i].Longest))
		}
	}
	if len(missing) > 0 {
		b.warn("on the forward list, but never in the capture: %s", strings.Join(missing, ", "))
	}
	if len(uneven) > 0 {
		b.warn("the layout slot carries one length an identifier, the longest; shorter frames are lost: %s", strings.Join(uneven, ", "))
	}
	for i := range b.plan.Receivers {
		b.neverShown(&b.plan.Receivers[i])
	}
}

// neverShown notes the signals of a display that the capture does not bring.
func (b *builder) neverShown(r *Receiver) {
	c := b.plan.Bus.Capture
	var absent, once, short []string
	for _, s := range r.Shows {
		name := fmt.Sprintf("%s (%s)", s.Signal.Name, s.ID)
		if s.Signal.Page != signal.AnyPage {
			name = fmt.Sprintf("%s (%s, page %d)", s.Signal.Name, s.ID, s.Signal.Page)
		}
		if !c.has(s.ID, s.Signal.Page) {
			absent = append(absent, name)
			continue
		}
		if s.Period == 0 {
			once = append(once, name)
		}
		i, _ := c.find(s.ID)
		d := s.Signal
		d.Page = signal.AnyPage
		if signal.CheckLayout(c.Carried[i].Longest, []signal.Definition{d}, nil) != nil {
			short = append(short, name)
		}
	}
	for _, w := range []struct {
		list []string
		text string
	}{
		{absent, "%s can never show what is not in the capture: %s"},
		{once, "%s shows what is in the capture only once, so that its period is not known: %s"},
		{short, "%s shows signals that lie behind the end of their frames in the capture: %s"},
	} {
		if len(w.list) > 0 {
			b.warn(w.text, r.Name, strings.Join(w.list, ", "))
		}
	}
}

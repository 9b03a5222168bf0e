package scenarios

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/mask"
)

// MaskPlan says which acceptance masks a plan uses and what they do. They are in
// Bridge.Controller.
type MaskPlan struct {
	Auto bool // worked out for the forward list; otherwise given
	// Answer says how good the masks are; nil where they were given.
	Answer        *mask.Answer
	Before, After float64 // frames a second on the bus and behind the masks
}

// masks reads or works out the acceptance masks.
func (b *builder) masks(v *value) {
	name, masks := v.get("shape"), v.get("masks")
	wanted := masks.is("auto") || len(masks.kids) > 0
	switch {
	case anyBad(name, masks):
		return
	case name.is("none"):
		if wanted {
			b.contradiction("masks of a controller without a shape", "give bridge.controller.shape, such as two-masks", masks, name)
		}
		return
	}
	shape, err := mask.ParseShape(name.str())
	if err != nil {
		b.contradiction(err.Error(), "", name)
		return
	}
	b.plan.Shape = shape.String()
	if !wanted {
		return
	}
	plan := &MaskPlan{Auto: masks.is("auto")}
	c := &b.plan.Bridge.Controller
	if plan.Auto {
		plan.Answer = b.autoMasks(shape, name)
		if plan.Answer == nil {
			return
		}
		c.Masks = plan.Answer.Program
	} else if c.Masks = b.givenMasks(shape, masks); c.Masks == nil {
		return
	}
	plan.Before, plan.After = c.Masks.Rates(b.plan.Bus.Flows())
	b.plan.Masks = plan
}

// autoMasks works out the masks for the forward list, nil where that cannot be.
func (b *builder) autoMasks(shape mask.Shape, at *value) *mask.Answer {
	if len(b.mistakes) > 0 || len(b.plan.Bridge.Forward) == 0 {
		return nil // there is no forward list to speak of
	}
	answer, err := mask.Solve(shape, ForwardIDs(b.plan), b.plan.Bus.Flows(), 0)
	for _, text := range flatten(err) {
		b.contradiction("no masks for the forward list: "+text, "", at)
	}
	return answer
}

// givenMasks reads register words, nil where they are no masks of the shape.
func (b *builder) givenMasks(shape mask.Shape, v *value) *mask.Program {
	var words []uint32
	good := true
	for _, k := range v.kids {
		word, err := strconv.ParseUint(strings.TrimPrefix(strings.ToLower(k.str()), "0x"), 16, 32)
		if err != nil {
			good = false
			if !k.bad {
				b.mistakes = append(b.mistakes, k.at.mistake(k.path, quote(k.str()), "a register word of up to 8 hexadecimal digits", ""))
			}
		}
		words = append(words, uint32(word))
	}
	if !good {
		return nil
	}
	program, err := mask.New(shape, words)
	for _, text := range flatten(err) {
		b.contradiction(fmt.Sprintf("no masks of %s: %s", shape, text), "", v)
	}
	return program
}

// maskWarnings notes identifiers to forward that the masks turn away.
func (b *builder) maskWarnings() {
	masks := b.plan.Bridge.Controller.Masks
	if masks == nil {
		return
	}
	var away []string
	for _, id := range ForwardIDs(b.plan) {
		if !masks.Accepts(&bus.Frame{ID: id}) {
			away = append(away, id.String())
		}
	}
	if len(away) > 0 {
		b.warn("the masks of the controller turn away what is on the forward list: %s", strings.Join(away, ", "))
	}
}

// ForwardIDs returns the identifiers of the forward list in its order.
func ForwardIDs(p *Plan) []bus.ID {
	var ids []bus.ID
	for _, f := range p.Bridge.Forward {
		ids = append(ids, f.ID)
	}
	return ids
}

// forwardNeeded lists the identifiers that carry what displays show, by rising
// identifier. Signals that do not exist are reported with the displays.
func (b *builder) forwardNeeded(entry func(bus.ID) (bridge.Forward, bool)) {
	var ids []bus.ID
	for _, r := range b.root.get("receivers").kids {
		for _, s := range r.get("shows").kids {
			if found := b.signals[s.name]; len(found) == 1 && !slices.Contains(ids, found[0].ID) {
				ids = append(ids, found[0].ID)
			}
		}
	}
	slices.Sort(ids)
	for _, id := range ids {
		f, _ := entry(id)
		b.plan.Bridge.Forward = append(b.plan.Bridge.Forward, f)
	}
	b.plan.Needed = true
}

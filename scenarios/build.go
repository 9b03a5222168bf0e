package scenarios

import (
	"fmt"
	"strings"

	"stalegauge/bus"
)

// builder turns the values of a scenario into the parts that run. It is the
// only place that knows all parts. It goes on after a mistake, so that all of
// them are found at once.
type builder struct {
	root     *value
	plan     *Plan
	mistakes Mistakes
	warnings []string

	messageAt  map[bus.ID]*value  // the block that declares an identifier
	signals    map[string][]Shown // by unique name and by Message.signal
	signalList []string           // names as a user would write them
	hasCapture bool               // the traffic is a capture, readable or not
	traces     map[string]*readTrace
	database   *database    // nil where there is none
	assumed    []Assumption // what was made up beside the values of keys
}

// build makes the plan. The plan is worth something only without mistakes.
func build(root *value) (*Plan, Mistakes) {
	b := &builder{root: root, plan: &Plan{}, messageAt: map[bus.ID]*value{}, signals: map[string][]Shown{}}
	p := b.plan
	p.Seed = uint64(root.get("seed").int())
	p.Replications = root.get("replications").int()
	p.Duration = root.get("duration").time()
	p.FixedPhases = root.get("phases").get("starts").is("fixed")
	b.bus(root.get("bus"))
	b.radio(root)
	b.bridge(root.get("bridge"))
	b.receivers(root.get("receivers"))
	b.needs(root.get("bridge"))
	b.phases(root.get("phases"))
	b.captureEnd()
	b.neighbours(root.get("neighbours"))
	b.size(root)
	idle := idle(root)
	// A text that could not be read whole is built for its mistakes only.
	if len(b.mistakes) == 0 && !root.bad {
		b.afterthoughts()
		if len(idle) > 0 {
			b.warn("no display relies on %s", strings.Join(idle, ", "))
		}
	}
	p.Warnings = b.warnings
	p.Assumptions = append(assumptions(root), b.assumed...)
	return p, b.mistakes
}

// contradiction reports values that cannot hold together, at the first of them,
// unless one of them could not be read in the first place.
func (b *builder) contradiction(sentence, hint string, vs ...*value) {
	if !anyBad(vs...) {
		b.mistakes = append(b.mistakes, vs[0].at.mistake(vs[0].path, sentence, "", hint))
	}
}

func (b *builder) warn(format string, args ...any) {
	b.warnings = append(b.warnings, fmt.Sprintf(format, args...))
}

// oneOnly settles two ways to say one thing. Written in one text they
// contradict each other; otherwise the upper text wins.
func (b *builder) oneOnly(first, second *value) {
	switch {
	case !first.given || !second.given:
	case first.layer() == second.layer():
		b.contradiction("stands beside "+second.path, "leave one of them out", first, second)
	case first.layer() > second.layer():
		second.reset()
	default:
		first.reset()
	}
}

// onlyWith settles a value that has an effect only when another key holds one
// of some words. Written in the same text as the other key they contradict each
// other; otherwise the value is dropped.
func (b *builder) onlyWith(v, other *value, words ...string) {
	for _, w := range words {
		if other.is(w) {
			return
		}
	}
	if v.given && (other.given && v.layer() == other.layer() || v.layer() > other.layer()) {
		hint := "it belongs to " + oneOf(words)
		b.contradiction(fmt.Sprintf("has no effect, as %s is %s", other.path, formatValue(other.key.kind, other.parsed)), hint, v, other)
	}
	v.reset()
	v.unused = true
}

// afterthoughts notes what is possible but hardly meant.
func (b *builder) afterthoughts() {
	listed := map[bus.ID]bool{}
	for _, f := range b.plan.Bridge.Forward {
		listed[f.ID] = true
	}
	for _, r := range b.plan.Receivers {
		var missing []string
		for _, s := range r.Shows {
			if !listed[s.ID] {
				missing = append(missing, s.Signal.Name)
			}
		}
		if len(missing) > 0 {
			b.warn("%s can never show %s: not on the forward list", r.Name, strings.Join(missing, ", "))
		}
		if r.Redraw > 0 && r.Draw >= r.Redraw {
			b.warn("%s draws for %s but is redrawn every %s: redraws are dropped", r.Name, formatDuration(r.Draw), formatDuration(r.Redraw))
		}
	}
	b.maskWarnings()
	b.tooLongForController()
	b.captureWarnings()
	b.phaseWarnings()
	switch load := b.plan.Bus.Load(); {
	case load <= 1:
	case b.plan.Bus.Capture != nil:
		b.warn("%s holds %.0f %% of what a bus of this bit rate can carry: is bus.bitrate right?", b.plan.Bus.Capture.Name, 100*load)
	default:
		b.warn("the message set asks for %.0f %% of the bus: messages pile up without end", 100*load)
	}
}

// tooLongForController notes frames that a controller with a store of so many
// bytes never takes in: each costs its identifier and format besides its data.
func (b *builder) tooLongForController() {
	c := b.plan.Bridge.Controller
	var long []string
	for _, f := range b.plan.Bridge.Forward {
		size := 3 + f.Length
		if f.ID.IsExtended() {
			size = 5 + f.Length
		}
		if c.Bytes > 0 && size > c.Bytes {
			long = append(long, fmt.Sprintf("%s (%s)", f.ID, count(f.Length, "byte")))
		}
	}
	if len(long) > 0 {
		b.warn("the controller's %s never hold these frames: %s; bridge.controller.frames counts frames instead", count(c.Bytes, "byte"), strings.Join(long, ", "))
	}
}

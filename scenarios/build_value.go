package scenarios

import (
	"fmt"

	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
)

var laws = map[string]traffic.ValueKind{
	"constant": traffic.Constant, "ramp": traffic.Ramp, "sine": traffic.Sine, "walk": traffic.RandomWalk,
	"square": traffic.Square, "pulse": traffic.Pulse, "counter": traffic.Counter, "checksum": traffic.Checksum,
}

// law reads how a value changes in time and checks it against the signal.
func (b *builder) law(v *value, d signal.Definition) traffic.Value {
	name, low, high := v.get("law"), v.get("low"), v.get("high")
	step, every, width := v.get("step"), v.get("every"), v.get("width")
	out := traffic.Value{
		Kind: laws[name.str()], Low: low.float(), High: high.float(),
		Step: step.float(), Every: every.time(), Width: width.time(),
	}
	if !v.given {
		return out
	}
	b.onlyWith(low, name, "constant", "ramp", "sine", "walk", "square", "pulse")
	b.onlyWith(high, name, "ramp", "sine", "walk", "square", "pulse")
	b.onlyWith(step, name, "walk")
	b.onlyWith(every, name, "ramp", "sine", "square", "pulse")
	b.onlyWith(width, name, "square", "pulse")
	moving := !anyBad(name, low, high) && out.Kind != traffic.Constant && out.Kind != traffic.Counter && out.Kind != traffic.Checksum
	if moving && out.Low >= out.High {
		b.contradiction(fmt.Sprintf("a %s from %s to %s does not move", name.str(), formatNumber(number, out.Low), formatNumber(number, out.High)), "high lies above low", v)
	}
	switch out.Kind {
	case traffic.Ramp, traffic.Sine, traffic.Square, traffic.Pulse:
		if out.Every == 0 && !anyBad(every, name) {
			b.contradiction(fmt.Sprintf("a %s without every", name.str()), "say how long one turn takes, such as every: 10s", v)
		}
	case traffic.RandomWalk:
		if out.Step == 0 && !anyBad(step, name) {
			b.contradiction("a walk without step", "say how far a step goes at most", v)
		}
	}
	if out.Kind == traffic.Pulse && out.Width == 0 && !anyBad(width, name) {
		b.contradiction("a pulse without width", "say how long it lasts, such as width: 500ms", v)
	}
	if out.Kind == traffic.Square && out.Every > 0 && out.Width >= out.Every {
		b.contradiction("a square that is high for the whole turn", "width lies below every", width, every)
	}
	b.inRange(v, d, out)
	return out
}

// inRange sees that the signal's bits can carry the law's values.
func (b *builder) inRange(v *value, d signal.Definition, law traffic.Value) {
	if law.Kind == traffic.Counter || law.Kind == traffic.Checksum || d.Check() != nil || anyBad(v.get("low"), v.get("high")) {
		return
	}
	least, most := d.Range()
	half := d.Resolution() / 2
	for _, limit := range []struct {
		v *value
		x float64
	}{{v.get("low"), law.Low}, {v.get("high"), law.High}} {
		if law.Kind == traffic.Constant && limit.v.name == "high" {
			continue
		}
		if limit.x < least-half || limit.x > most+half {
			at := limit.v
			if !at.given {
				at = v
			}
			b.contradiction(fmt.Sprintf("the value %s does not fit %s, reaching from %s to %s",
				formatNumber(number, limit.x), count(d.Bits, "bit"), formatNumber(number, least), formatNumber(number, most)), "", at)
		}
	}
}

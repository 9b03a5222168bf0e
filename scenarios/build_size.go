package scenarios

import (
	"slices"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/radio"
)

// SizePlan is what the command size tries. A list that is nil leaves the values to
// the command.
type SizePlan struct {
	Policies   []bridge.PolicyKind
	Hold       []time.Duration // fill
	Every      []time.Duration // table
	ByLimits   []bool          // table
	MinGap     []time.Duration // change
	Heartbeat  []time.Duration // change
	Share      []float64       // slack
	Thin       []float64       // each, fill: shortest gap of an identifier as a share of its tightest limit; 0 = no cap
	Layouts    []bridge.LayoutKind
	Copies     []int
	Spacing    []time.Duration
	LimitOrder []bool // whether the forward list goes by the limits, the tightest first
	SendQueue  []int
	Radios     []RadioChoice   // nil = the scenario's own
	Interval   []time.Duration // advertising profiles
	// Optional are identifiers to forward besides. nil, and neither NoOptional nor
	// AllOptional, leaves them to the command.
	Optional                []bus.ID
	NoOptional, AllOptional bool
	AirShare                float64 // largest share of the time on air; 0 = no bound
}

// RadioChoice is a radio profile at a rate.
type RadioChoice struct {
	Profile string
	Rate    string // as a scenario writes it; "" = the profile's default, of the scenario's own profile its own
}

// String returns the choice as a scenario writes it.
func (r RadioChoice) String() string {
	if r.Rate == "" {
		return r.Profile
	}
	return r.Profile + "@" + r.Rate
}

// PowerPlan is what the bridge's radio takes from the supply, in watts.
type PowerPlan struct {
	Send, Listen, Sleep float64
	Volt                float64 // of the supply
	Judged              bool    // at least one of them is a default, engineering judgement
}

// Mean returns the mean power in watts of a radio that is on the air for a share of
// the time, and for another one, the first included, has to do with the channel.
func (p *PowerPlan) Mean(own, occupied float64) float64 {
	occupied = min(1, max(own, occupied))
	return p.Send*own + p.Listen*(occupied-own) + p.Sleep*(1-occupied)
}

// given returns what was given of a list, each value once, nil when it was not.
func given[T comparable](v *value, read func(item *value) T) (all []T) {
	for _, item := range v.kids {
		if x := read(item); !item.bad && !slices.Contains(all, x) {
			all = append(all, x)
		}
	}
	return all
}

// size reads what has no part in a run.
func (b *builder) size(root *value) {
	v := root.get("size")
	for _, k := range v.key.kids {
		list := v.get(k.name())
		if k.kind == items && list.given && !list.bad && list.parsed == nil && len(list.kids) == 0 {
			b.contradiction("an empty list", wantOf(k), list)
		}
	}
	times := func(key string) []time.Duration { return given(v.get(key), (*value).time) }
	shares := func(key string) []float64 { return given(v.get(key), (*value).float) }
	counts := func(key string) []int { return given(v.get(key), (*value).int) }
	optional := v.get("optional")
	b.plan.Size = SizePlan{
		Policies: given(v.get("policies"), func(x *value) bridge.PolicyKind { return policies[x.str()] }),
		Layouts:  given(v.get("layouts"), func(x *value) bridge.LayoutKind { return layouts[x.str()] }),
		Hold:     times("hold"), Every: times("every"), MinGap: times("min_gap"), Heartbeat: times("heartbeat"), Spacing: times("spacing"), Interval: times("interval"),
		ByLimits: given(v.get("by_limits"), (*value).truth), LimitOrder: given(v.get("orders"), func(x *value) bool { return x.is("limits") }),
		Share: shares("share"), Thin: shares("thin"), Copies: counts("copies"), SendQueue: counts("send_queue"),
		Optional: given(optional, (*value).id), NoOptional: optional.is("none"), AllOptional: optional.is("all"),
		Radios: given(v.get("radios"), b.radioChoice), AirShare: v.get("air").float(),
	}
	b.optionalKnown(optional)
	p := root.get("power")
	b.plan.Power = PowerPlan{Send: p.get("tx").float() / 1000, Listen: p.get("listen").float() / 1000, Sleep: p.get("sleep").float() / 1000, Volt: p.get("voltage").float()}
	for _, k := range p.kids {
		b.plan.Power.Judged = b.plan.Power.Judged || !k.given
	}
}

// radioChoice reads PROFILE or PROFILE@RATE.
func (b *builder) radioChoice(v *value) RadioChoice {
	name, rateText, at := strings.Cut(v.str(), "@")
	choice := RadioChoice{Profile: name, Rate: rateText}
	wrong := func(found, expected, hint string) RadioChoice {
		if !v.bad {
			b.mistakes = append(b.mistakes, v.at.mistake(v.path, found, expected, hint))
		}
		v.bad = true
		return choice
	}
	if v.bad {
		return choice
	}
	if !slices.Contains(profileNames(), name) {
		return wrong(quote(name), oneOf(profileNames()), didYouMean(name, profileNames()))
	}
	if !at {
		return choice
	}
	if !slices.Contains(radio.SettingKeys(name), "rate") {
		return wrong("a rate for "+name, "the profile alone: it has one rate", "")
	}
	parsed, fault := parseScalar(bitRate, nil, rateText)
	if fault != nil {
		return wrong(fault.found, fault.expected, fault.hint)
	}
	if _, err := radio.NewProfile(radio.Settings{Name: name, Rate: int(parsed.(float64))}); err != nil {
		for _, m := range radioMistakes(err) {
			return wrong(m.Found, m.Want, "")
		}
	}
	return choice
}

// optionalKnown sees that the bus carries what may be forwarded besides.
func (b *builder) optionalKnown(v *value) {
	for _, item := range v.kids {
		if item.bad || b.hasCapture || b.messageKnown(item.id()) {
			continue
		}
		b.contradiction("no message on the bus has the identifier "+item.id().String(), b.nearID(item.id()), item)
	}
}

func (b *builder) messageKnown(id bus.ID) bool {
	for i := range b.plan.Bus.Messages {
		if b.plan.Bus.Messages[i].ID == id {
			return true
		}
	}
	return false
}

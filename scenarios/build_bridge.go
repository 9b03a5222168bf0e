package scenarios

import (
	"fmt"
	"math"
	"slices"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/radio"
)

// The words of a scenario and what they mean to the bridge.
var (
	overruns = map[string]bridge.Overrun{"drop-new": bridge.DropNew, "overwrite-last": bridge.OverwriteLast, "overwrite-oldest": bridge.OverwriteOldest}
	policies = map[string]bridge.PolicyKind{"each": bridge.Each, "fill": bridge.Fill, "table": bridge.Table, "change": bridge.Change, "slack": bridge.Slack}
	layouts  = map[string]bridge.LayoutKind{"id": bridge.LayoutID, "slot": bridge.LayoutSlot, "packed": bridge.LayoutPacked}
	fulls    = map[string]bridge.FullRule{"drop-new": bridge.FullDropNew, "drop-oldest": bridge.FullDropOldest, "replace-same": bridge.FullReplaceSame}
)

func (b *builder) bridge(v *value) {
	c := &b.plan.Bridge
	b.controller(v.get("controller"), v.get("pickup"))
	c.QueueDepth = v.get("queue").int()
	b.policies(v)
	b.forward(v.get("forward"))
	b.masks(v.get("controller"))
	repeat := v.get("repeat")
	c.Repeat = bridge.Repeat{Copies: repeat.get("copies").int(), Spacing: repeat.get("spacing").time()}
	if c.Repeat.Copies <= 1 {
		repeat.get("spacing").unused = true
		c.Repeat.Spacing = 0
	}
	layout := v.get("layout")
	c.Layout = bridge.Layout{
		Kind: layouts[layout.get("kind").str()], SendTime: layout.get("send_time").truth(), RecordAges: layout.get("record_ages").truth(),
		Tag: layout.get("tag").int(), Version: uint8(layout.get("version").int()), Set: uint16(layout.get("set").int()),
	}
	limit := v.get("limit")
	c.Limit = bridge.RateLimit{
		Broadcasts: limit.get("broadcasts").float(), Bytes: limit.get("bytes").float(), AirShare: limit.get("air_share").float(),
		Burst: limit.get("burst").time(), Drop: limit.get("on_limit").is("drop"),
	}
	queue := v.get("send_queue")
	c.SendQueue = bridge.SendQueue{Depth: queue.get("depth").int(), Full: fulls[queue.get("full").str()]}
	c.Pace = bridge.Pace{Gap: v.get("pace").time(), InRadio: v.get("in_radio").int()}
	c.DropOlder = v.get("drop_older_than").time()
	b.resets(v.get("resets"))
	if b.plan.Radio != nil {
		b.patience(v.get("send_timeout"))
		c.MaxPayload, c.Airtime = b.plan.Radio.MaxPayload(), b.plan.Radio.Airtime
		b.utilisation(limit)
		b.savings(limit)
	}
}

// utilisation turns a limit of the medium utilisation into one of the share of
// time on air.
func (b *builder) utilisation(limit *value) {
	v := b.root.get("radio")
	radiated, most := v.get("radiated"), v.get("utilisation")
	b.plan.Milliwatt, b.plan.Utilisation = radiated.float(), most.float()
	if b.plan.Utilisation == 0 {
		return
	}
	if b.plan.Milliwatt == 0 {
		b.contradiction("a medium utilisation without a power", "give radio.radiated: 100mW or what yours radiates", most, radiated)
		return
	}
	air := &b.plan.Bridge.Limit.AirShare
	if most := radio.UtilisationShare(b.plan.Utilisation, b.plan.Milliwatt); most < 1 && (*air == 0 || most < *air) {
		*air, limit.get("air_share").unused = most, true
	}
}

// patience raises the default of the send timeout on slow radios: a broadcast
// that is still on the air has not failed.
func (b *builder) patience(v *value) {
	if slow := 2 * b.plan.Radio.Airtime(b.plan.Radio.MaxPayload()); !v.given && v.time() < slow {
		v.parsed, v.because = slow, "twice the longest time on air"
	}
	b.plan.Bridge.SendTimeout = v.time()
}

// resets reads the restarts of the bridge, which must not overlap.
func (b *builder) resets(v *value) {
	for _, k := range v.kids {
		at := k.get("at")
		span := bridge.Span{From: at.time(), Until: at.time() + k.get("takes").time()}
		if n := len(b.plan.Resets); n > 0 && span.From < b.plan.Resets[n-1].Until && !at.bad {
			b.contradiction(fmt.Sprintf("a restart at %s, before the one before it is over, at %s", formatDuration(span.From), formatDuration(b.plan.Resets[n-1].Until)), "", at)
		}
		b.plan.Resets = append(b.plan.Resets, span)
	}
}

func (b *builder) controller(v, pickup *value) {
	frames, bytes := v.get("frames"), v.get("bytes")
	b.oneOnly(frames, bytes)
	c := &b.plan.Bridge
	c.Controller.Overrun = overruns[v.get("overrun").str()]
	if frames.int() > 0 {
		c.Controller.Frames, bytes.unused = frames.int(), true
	} else {
		c.Controller.Bytes, frames.unused = bytes.int(), true
	}
	latency, tick := pickup.get("latency"), pickup.get("tick")
	b.oneOnly(tick, latency)
	c.Pickup = bridge.Pickup{Latency: latency.time(), Tick: tick.time(), Phase: pickup.get("phase").time(), Cost: pickup.get("cost").time()}
	if c.Pickup.Tick > 0 {
		c.Pickup.Latency, latency.unused = 0, true
	} else {
		tick.unused = true
	}
	for _, s := range pickup.get("stalls").kids {
		span := bridge.Span{From: s.get("from").time(), Until: s.get("until").time()}
		if span.Until <= span.From {
			b.contradiction(fmt.Sprintf("a stall from %s until %s", formatDuration(span.From), formatDuration(span.Until)), "until lies after from", s.get("until"), s.get("from"))
		}
		c.Stalls = append(c.Stalls, span)
	}
	random := pickup.get("random_stalls")
	c.Random = bridge.RandomStalls{Every: random.get("every").time(), Length: random.get("length").time()}
	if c.Random.Every == 0 {
		random.get("length").unused = true
		c.Random.Length = 0
	} else if c.Random.Length > c.Random.Every {
		b.contradiction(fmt.Sprintf("random stalls of %s every %s join without end", formatDuration(c.Random.Length), formatDuration(c.Random.Every)), "", random.get("length"), random.get("every"))
	}
}

// forward makes the forward list: the whole bus by rising identifier, or the
// entries in the order given, which is that of the slots.
func (b *builder) forward(v *value) {
	c := &b.plan.Bridge
	byID := map[bus.ID]int{}
	for i := range b.plan.Bus.Messages {
		byID[b.plan.Bus.Messages[i].ID] = i
	}
	// entry returns the entry of an identifier and whether the bus carries it. A
	// capture may turn out not to: that is for a warning.
	entry := func(id bus.ID) (bridge.Forward, bool) {
		i, declared := byID[id]
		length := 8
		if declared {
			length = b.plan.Bus.Messages[i].Length
		}
		return b.captured(id, length), declared || b.hasCapture
	}
	switch {
	case v.is("all"):
		b.forwardAll(v, entry)
		return
	case v.is("auto"):
		b.forwardNeeded(entry)
		return
	}
	seen := map[bus.ID]*value{}
	for _, item := range v.kids {
		id := item.get("id")
		if id.bad {
			continue
		}
		f, carried := entry(id.id())
		switch {
		case seen[id.id()] != nil:
			b.contradiction(fmt.Sprintf("%s stands on the list twice", id.id()), "", id)
			continue
		case !carried:
			b.contradiction(fmt.Sprintf("no message on the bus has the identifier %s", id.id()), b.nearID(id.id()), id)
			continue
		}
		seen[id.id()] = item
		f.Divide = item.get("divide").int()
		if perSecond := item.get("cap").float(); perSecond > 0 {
			f.MinGap = time.Duration(math.Round(float64(time.Second) / perSecond))
		}
		b.entryPolicy(item, &f)
		c.Forward = append(c.Forward, f)
	}
	if len(v.kids) == 0 && v.given && !v.bad {
		b.contradiction("an empty forward list", "all forwards every message of the bus, auto those that displays need", v)
	}
}

// forwardAll lists what the bus carries by rising identifier: of a capture every
// identifier with data frames.
func (b *builder) forwardAll(v *value, entry func(bus.ID) (bridge.Forward, bool)) {
	var ids []bus.ID
	for i := range b.plan.Bus.Messages {
		if !b.hasCapture {
			ids = append(ids, b.plan.Bus.Messages[i].ID)
		}
	}
	if c := b.plan.Bus.Capture; c != nil {
		for i, s := range c.Summary.IDs {
			if c.Carried[i].Data > 0 {
				ids = append(ids, s.ID)
			}
		}
	}
	if len(ids) > maxMessages {
		b.contradiction(fmt.Sprintf("%d identifiers to forward, at most %d are simulated", len(ids), maxMessages), "list those that displays need", v)
		return
	}
	slices.SortFunc(ids, func(x, y bus.ID) int { return int(int64(x) - int64(y)) })
	for _, id := range ids {
		f, _ := entry(id)
		b.plan.Bridge.Forward = append(b.plan.Bridge.Forward, f)
	}
}

func (b *builder) nearID(id bus.ID) string {
	var known []string
	for _, m := range b.plan.Bus.Messages {
		known = append(known, m.ID.String())
	}
	return didYouMean(id.String(), known)
}

// maxSlots is how many entries a slot index of one byte tells apart.
const maxSlots = 256

// payload sees that every record fits the radio.
func (b *builder) payload(v, payload *value) {
	c := &b.plan.Bridge
	if c.Layout.Kind != bridge.LayoutID && len(c.Forward) > maxSlots {
		b.contradiction(fmt.Sprintf("%d identifiers to forward, but a slot tells %d apart", len(c.Forward), maxSlots), "the layout id has no such bound",
			v.get("layout").get("kind"), v.get("forward"))
		return
	}
	codec := bridge.NewCodec(c.Layout, c.Forward)
	largest, id := 0, bus.ID(0)
	for slot, f := range c.Forward {
		if n := codec.HeaderSize() + codec.RecordSize(slot, f.Length); n > largest {
			largest, id = n, f.ID
		}
	}
	if largest > c.MaxPayload {
		at := v.get("forward")
		if payload.layer() > at.layer() {
			at = payload
		}
		b.contradiction(fmt.Sprintf("a broadcast with the record of %s takes %s, but the radio carries %d", id, count(largest, "byte"), c.MaxPayload),
			"take another radio profile, or leave the identifier out", at)
	}
}

// savings sees that what a limit may save up pays for one broadcast of full
// payload: otherwise such a broadcast would wait for ever.
func (b *builder) savings(v *value) {
	c := &b.plan.Bridge
	seconds := c.Limit.Burst.Seconds()
	if seconds == 0 {
		return
	}
	burst := v.get("burst")
	short := func(key string, saved, cost float64, what string) {
		if k := v.get(key); k.float() > 0 && saved < cost {
			b.contradiction(fmt.Sprintf("saves up too little for one broadcast of full payload: %s in %s", what, formatDuration(c.Limit.Burst)), "give a longer burst or a higher limit", burst, k)
		}
	}
	air := c.Airtime(c.MaxPayload).Seconds()
	short("broadcasts", c.Limit.Broadcasts*seconds, 1, "less than 1 broadcast")
	short("bytes", c.Limit.Bytes*seconds, float64(c.MaxPayload), "less than "+count(c.MaxPayload, "byte"))
	short("air_share", c.Limit.AirShare*seconds, air, "less than "+formatDuration(c.Airtime(c.MaxPayload))+" on air")
}

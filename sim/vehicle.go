package sim

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// vehicle is a bus, the bridge that listens to it and the receivers of its set.
type vehicle struct {
	index     int // station on the channel
	spec      *scenarios.Vehicle
	source    bus.Source
	frame     bus.Frame // the next one
	more      bool      // there is a next one
	busy      time.Duration
	frames    uint64
	bridge    *bridge.Bridge
	catalogue *catalogue
	receivers []*receiver

	from, until time.Duration // in range; until 0 = to the end

	keys     []map[int]int // by slot: page to key
	keyCount int

	handed ring[sending] // handed to the medium, the first one is waiting for the air or on it
	onAir  bool
	begun  time.Duration

	heldBack time.Duration // the medium takes nothing before, whatever bridge there is

	resets int              // restarts of the bridge so far
	up     time.Duration    // it works from here on
	blind  bool             // the bus is not known, only what arrives: changes and deadlines cannot be told
	former []*bridge.Bridge // before its restarts
	lost   uint64           // frames that came while it was down
	lag    int              // how far behind the newest a copy may arrive, in broadcasts
	build  func(from time.Duration, restart int) (*bridge.Bridge, error)

	voidBefore time.Duration // values older than this are not connected to the traffic of now
	broadcasts uint64        // begun
	records    uint64        // in them

	trace *tracer // nil when nobody asks for the lives of records
}

// sending is a broadcast that was handed to the medium, and by whom: after a restart
// it is another bridge than the present one.
type sending struct {
	*bridge.Broadcast
	by *bridge.Bridge
}

// occupied is implemented by sources that know how long the bus was busy.
type occupied interface{ Busy() time.Duration }

// newVehicle builds one vehicle of a run.
func newVehicle(d *driver, index, copyOf int, spec *scenarios.Vehicle, streams scenarios.Streams) (*vehicle, error) {
	v := &vehicle{index: index, spec: spec, catalogue: newCatalogue(spec)}
	watched := make([]bool, len(v.catalogue.message))
	for i, c := range v.catalogue.message {
		watched[i] = c != nil
	}
	var err error
	v.source, err = spec.Bus.Source(streams, watched, func(message, page int, at time.Duration) {
		v.catalogue.message[message].pass(fate.StageSource, page, d.present(), at, at)
	})
	if err != nil {
		return nil, fmt.Errorf("bus: %w", err)
	}
	if d.advertises {
		v.heldBack = never // but for the instants of events
	}
	v.build = func(from time.Duration, restart int) (*bridge.Bridge, error) {
		b, err := bridge.New(v.config(d, copyOf, streams, from, restart))
		if err == nil {
			holdBack(b, v.heldBack)
		}
		return b, err
	}
	if v.bridge, err = v.build(0, 0); err != nil {
		return nil, fmt.Errorf("bridge: %w", err)
	}
	if spec.Bridge.Repeat.Copies > 1 { // what advertising sends again is the newest
		v.lag = windowSize - 1
	}
	v.keys = make([]map[int]int, len(spec.Bridge.Forward))
	for i := range v.keys {
		v.keys[i] = map[int]int{}
	}
	for i := range spec.Receivers {
		v.receivers = append(v.receivers, newReceiver(d, v, i, streams))
	}
	return v, nil
}

// BridgeConfig returns the bridge of a vehicle as a replication has it: timers
// that nobody controls start at the phases that its streams say, unless the plan
// fixes them. copyOf is the index among equal vehicles, which the set identifier
// tells apart.
func BridgeConfig(plan *scenarios.Plan, spec *scenarios.Vehicle, copyOf int, streams scenarios.Streams) bridge.Config {
	return bridgeConfig(plan, spec, copyOf, streams, 0)
}

// bridgeConfig is the same after a number of restarts, each with phases of its own.
func bridgeConfig(plan *scenarios.Plan, spec *scenarios.Vehicle, copyOf int, streams scenarios.Streams, restart int) bridge.Config {
	config := spec.Bridge
	config.Layout.Set += uint16(copyOf)
	config.Stream = streams.Rand
	if plan.FixedPhases {
		return config
	}
	config.Pickup.Phase = uniform(streams, "bridge tick", restart, config.Pickup.Tick)
	config.Policy = startedAnywhere(config.Policy, streams, restart<<16)
	config.Policies = slices.Clone(config.Policies)
	for i := range config.Policies {
		config.Policies[i] = startedAnywhere(config.Policies[i], streams, restart<<16+i+1)
	}
	return config
}

// config is the bridge's, with its timers started at an instant; restart tells its
// restarts apart.
func (v *vehicle) config(d *driver, copyOf int, streams scenarios.Streams, from time.Duration, restart int) bridge.Config {
	config := bridgeConfig(d.plan, v.spec, copyOf, streams, restart)
	if from > 0 {
		config.Pickup.Phase += from
		config.Policy.Phase += from
		config.Policies = slices.Clone(config.Policies)
		for i := range config.Policies {
			config.Policies[i].Phase += from
		}
	}
	config.KeepLast = d.advertises
	config.Watch = func(stage fate.Stage, r *bridge.Record, at time.Duration) {
		if c := v.catalogue.slot[r.Slot]; c != nil {
			c.pass(stage, r.Page, d.present(), at, r.ValidAt)
		}
	}
	if d.trace != nil && v.index == 0 {
		v.trace = d.trace
		d.trace.join(v, &config)
	}
	return config
}

// reset restarts the bridge of a vehicle: what it holds is lost. What it has handed
// to the radio goes out all the same, but nobody is there to see it: its frames
// count as lost with the rest.
func (d *driver) reset(v *vehicle, at time.Duration) {
	v.trace.restarts(true)
	v.bridge.Close(at)
	v.trace.restarts(false)
	v.former = append(v.former, v.bridge)
	v.up = v.spec.Resets[v.resets].Until
	v.resets++
	b, err := v.build(max(v.up, v.from), v.resets)
	if err != nil {
		panic("sim: a bridge that could be built cannot be built again: " + err.Error())
	}
	b.PassOver(v.frames)
	v.bridge = b
	d.schedule(v)
}

// frameFates are the fates of the frames of all bridges that the vehicle has had. What a
// restart found inside is lost with it.
func (v *vehicle) frameFates() [fate.Frames]uint64 {
	all := v.bridge.Fates()
	for _, b := range v.former {
		for f, n := range b.Fates() {
			if fate.Frame(f) == fate.FrameInsideAtEnd {
				f = int(fate.FrameBridgeDown)
			}
			all[f] += n
		}
	}
	all[fate.FrameBridgeDown] += v.lost
	return all
}

// stages are how full the stages of the bridge were, over all restarts.
func (v *vehicle) stages() []bridge.StageUse {
	all := v.bridge.Stages()
	for _, b := range v.former {
		for i, s := range b.Stages() {
			all[i].Busy += s.Busy
			all[i].HighWater = max(all[i].HighWater, s.HighWater)
		}
	}
	return all
}

// slots are how the entries of the forward list were served, over all restarts.
func (v *vehicle) slots() []bridge.SlotUse {
	all := v.bridge.Slots()
	for _, b := range v.former {
		for i, s := range b.Slots() {
			all[i].Wanted += s.Wanted
			all[i].Left += s.Left
			all[i].Waited = max(all[i].Waited, s.Waited)
		}
	}
	return all
}

// startedAnywhere gives the timer of a policy, of the mix's index, a random phase.
func startedAnywhere(p bridge.Policy, streams scenarios.Streams, index int) bridge.Policy {
	switch p.Kind {
	case bridge.Table:
		p.Phase = uniform(streams, "bridge table", index, p.Every)
	case bridge.Slack:
		p.Phase = uniform(streams, "bridge table", index, p.Slack.Tick)
	}
	return p
}

// newReceiver builds one display.
func newReceiver(d *driver, v *vehicle, index int, streams scenarios.Streams) *receiver {
	spec := &v.spec.Receivers[index]
	phase := spec.Phase
	if !d.plan.FixedPhases {
		phase = uniform(streams, "redraw "+spec.Name, 0, spec.Redraw)
	}
	weather := spec.Weather
	if !d.plan.FixedPhases {
		weather.ListenFrom = uniform(streams, "listening "+spec.Name, 0, weather.ListenEvery)
		weather.AwayFrom = uniform(streams, "away "+spec.Name, 0, weather.AwayEvery)
	}
	fading := radio.NewFading(weather, streams.Rand("weather "+spec.Name, 0), streams.Key("fading "+spec.Name, 0))
	r := &receiver{
		spec:       spec,
		home:       v,
		served:     true,
		nextRedraw: spec.PowerUp + phase,
		lastRedraw: spec.PowerUp - spec.MinRedraw,
		displays:   make([]*display, len(v.catalogue.groups)),
		from:       d.end, // nobody asks for the ages of a neighbour
		end:        d.end,
		trace:      v.trace,
	}
	if v.index == 0 {
		r.from = d.from[index]
		r.setPhases(d.plan.Phases)
	} else {
		r.setPhases(nil)
	}
	if common := v.spec.Common; common != nil {
		// Each receiver follows its own copy of the same path: the stream is the
		// same for all of them.
		fading.Join(radio.NewFading(*common, streams.Rand("weather of all", 0), streams.Key("fading of all", 0)))
	}
	var scanning *rand.Rand
	if d.advertises && !d.plan.FixedPhases {
		scanning = streams.Rand("scan "+spec.Name, 0)
	}
	r.listener = radio.NewListener(d.plan.Radio, spec.Scanner, d.plan.Stations(), fading, scanning)
	for i := range spec.Shows {
		s := &spec.Shows[i]
		g := v.catalogue.group(s.ID, s.Signal.Page, v.spec.Selector(s.ID))
		if r.displays[g.index] == nil {
			r.displays[g.index] = &display{group: g}
			r.shown = append(r.shown, r.displays[g.index])
		}
		r.displays[g.index].show(r, i, s)
		if v.index == 0 {
			v.follow(r, r.displays[g.index], s)
		}
	}
	return r
}

// follow lets a display follow the values of a signal, where they matter.
func (v *vehicle) follow(r *receiver, d *display, s *scenarios.Shown) {
	if v.blind {
		return
	}
	if len(d.waiting()) > 0 && !slices.ContainsFunc(d.group.waiting, func(w waiter) bool { return w.display == d }) {
		d.group.waiting = append(d.group.waiting, waiter{r, d})
	}
	if !s.FollowsValues() {
		return
	}
	h := v.history(d.group, s)
	d.signals[len(d.signals)-1].view = len(d.views)
	d.views = append(d.views, newView(h, r, s, r.end))
}

// history returns the history of a signal, made where it is new.
func (v *vehicle) history(g *group, s *scenarios.Shown) *history {
	for _, h := range g.histories {
		if h.signal == s.Signal {
			return h
		}
	}
	h := &history{signal: s.Signal, codec: signal.Compile(&s.Signal)}
	if lawful, ok := v.source.(interface {
		Curve(message, field int) *traffic.Curve
	}); ok {
		for i, m := range v.spec.Bus.Messages {
			for k, f := range m.Fields {
				if m.ID == s.ID && f.Signal == s.Signal && (f.Value.Kind == traffic.Square || f.Value.Kind == traffic.Pulse) {
					h.curve = lawful.Curve(i, k)
				}
			}
		}
	}
	g.histories = append(g.histories, h)
	return h
}

// uniform draws an instant from 0 to span.
func uniform(s scenarios.Streams, purpose string, index int, span time.Duration) time.Duration {
	if span <= 0 {
		return 0
	}
	return time.Duration(s.Rand(purpose, index).Int64N(int64(span)))
}

// pull fetches the next frame of the bus.
func (v *vehicle) pull() {
	if o, ok := v.source.(occupied); ok {
		v.busy = o.Busy()
	}
	v.more = v.source.Next(&v.frame)
}

// key returns the index of a slot and page among all that were ever sent.
func (v *vehicle) key(slot, page int) int {
	key, ok := v.keys[slot][page]
	if !ok {
		key = v.keyCount
		v.keyCount++
		v.keys[slot][page] = key
	}
	return key
}

// pass notes that the values of a broadcast pass a stage.
func (v *vehicle) pass(b *bridge.Broadcast, stage fate.Stage, now time.Duration) {
	if v.trace != nil {
		v.trace.passed("", b, stage, now)
	}
	for i := range b.Records {
		record := &b.Records[i]
		if c := v.catalogue.slot[record.Slot]; c != nil {
			c.pass(stage, record.Page, now, now, record.ValidAt)
		}
	}
}

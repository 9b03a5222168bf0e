package traffic

import (
	"fmt"
	"math"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

// Bounds that keep wrong numbers from making a set that never gets anywhere.
const (
	shortestPeriod = 10 * time.Microsecond  // no bus can carry more than one frame in it
	shortestMean   = 100 * time.Microsecond // of Poisson instants, which are walked through one by one after a sleep
	longestTime    = 365 * 24 * time.Hour
	fastestStorm   = 100_000.0 // releases a second
	mostMessages   = 1 << 16
	mostGroup      = 1000
	mostDrift      = 100_000.0 // parts per million
	mostReleases   = 1e6       // a second in all; a bus carries some ten thousand
	mostPulses     = 100_000_000
	slowestBus     = 1000
	fastestBus     = 1_000_000_000
)

// findings collects mistakes about one thing.
type findings struct {
	about string
	all   *[]error
}

func (f findings) add(format string, args ...any) {
	*f.all = append(*f.all, fmt.Errorf("%s: "+format, append([]any{f.about}, args...)...))
}

// within adds a mistake when a time is not between two others.
func (f findings) within(what string, t, least, most time.Duration) bool {
	if t < least || t > most {
		f.add("%s %v, expected %v to %v", what, t, least, most)
		return false
	}
	return true
}

// mistakes returns everything that is wrong with a configuration.
func (c *Config) mistakes() (all []error) {
	f := findings{"bus", &all}
	if c.BitRate < slowestBus || c.BitRate > fastestBus {
		f.add("bit rate %d, expected %d to %d bit/s", c.BitRate, slowestBus, fastestBus)
	}
	if c.DataBitRate != 0 && (c.DataBitRate < slowestBus || c.DataBitRate > fastestBus) {
		f.add("bit rate of the data phase %d, expected %d to %d bit/s, or 0 for the bit rate", c.DataBitRate, slowestBus, fastestBus)
	}
	if !(c.BitErrorRate >= 0 && c.BitErrorRate <= MaxBitErrorRate) {
		f.add("bit error rate %v, expected 0 to %v", c.BitErrorRate, MaxBitErrorRate)
	}
	if n := len(c.Messages); n == 0 || n > mostMessages {
		f.add("%d messages, expected 1 to %d", n, mostMessages)
		return all
	}
	c.timelineMistakes(&all)
	c.messageMistakes(&all)
	if len(all) == 0 {
		c.effortMistakes(&all)
	}
	return all
}

func (c *Config) messageMistakes(all *[]error) {
	type frame struct {
		id     bus.ID
		remote bool
	}
	sent := map[frame]int{}
	drifts := map[string]int{}
	for i := range c.Messages {
		m := &c.Messages[i]
		f := findings{title(i, m), all}
		m.mistakes(f)
		if m.Period == 0 && m.Events == nil && !c.storms(i) {
			f.add("is never sent: it has no period, no events and no storm")
		}
		if other, ok := sent[frame{m.ID, m.Remote}]; ok {
			f.add("has the identifier of %s: two nodes that send it at once could not settle who goes first", title(other, &c.Messages[other]))
		}
		sent[frame{m.ID, m.Remote}] = i
		if m.Node == "" {
			continue
		}
		if other, ok := drifts[m.Node]; ok && c.Messages[other].Drift != m.Drift {
			f.add("clock drift %v ppm, but %v ppm in %s of the same node %q", m.Drift, c.Messages[other].Drift, title(other, &c.Messages[other]), m.Node)
		} else if !ok {
			drifts[m.Node] = i
		}
	}
}

// effortMistakes looks for sets without other mistakes that would keep a machine
// busy for ever: too many releases, or pulses that are walked through by the
// hundred million in one silence.
func (c *Config) effortMistakes(all *[]error) {
	silence := time.Duration(0)
	if n := len(c.Timeline); n > 0 {
		silence = c.Timeline[n-1].At
	}
	rate := 0.0
	for i := range c.Messages {
		m := &c.Messages[i]
		rate += perSecond(m.Period, 1)
		longest := max(silence, m.Period, m.Offset)
		if e := m.Events; e != nil {
			rate += perSecond(e.Heartbeat, 1) + perSecond(e.Every, max(1, e.Group))
			longest = max(longest, e.Heartbeat, e.Every, e.MinGap, time.Duration(e.Group)*e.Spacing)
		}
		for j := range m.Fields {
			if v := &m.Fields[j].Value; v.Kind == Pulse && longest/v.Every > mostPulses {
				findings{title(i, m), all}.add("signal %q: pulses every %v are too close for silences of up to %v", m.Fields[j].Signal.Name, v.Every, longest)
			}
		}
	}
	if rate > mostReleases {
		findings{"bus", all}.add("the messages are released %.0f times a second in all, expected at most %.0f", rate, mostReleases)
	}
}

// perSecond returns how often n things happen a second; every 0 is never.
func perSecond(every time.Duration, n int) float64 {
	if every == 0 {
		return 0
	}
	return float64(n) / every.Seconds()
}

func title(index int, m *Message) string {
	if m.Name != "" {
		return fmt.Sprintf("message %q", m.Name)
	}
	return fmt.Sprintf("message %d (%v)", index, m.ID)
}

func (c *Config) storms(message int) bool {
	for _, e := range c.Timeline {
		if e.Storm != nil && e.Storm.Message == message {
			return true
		}
	}
	return false
}

func (c *Config) timelineMistakes(all *[]error) {
	for i, e := range c.Timeline {
		f := findings{fmt.Sprintf("timeline, episode %d %q", i, e.Name), all}
		f.within("begins at", e.At, 0, longestTime)
		if i > 0 && e.At <= c.Timeline[i-1].At {
			f.add("begins at %v, expected later than the one before it at %v", e.At, c.Timeline[i-1].At)
		}
		if e.Storm == nil {
			continue
		}
		if e.Storm.Message < 0 || e.Storm.Message >= len(c.Messages) {
			f.add("storm of message %d, expected 0 to %d", e.Storm.Message, len(c.Messages)-1)
		}
		if r := e.Storm.Rate; r != 0 && !(r >= 1e-3 && r <= fastestStorm) {
			f.add("storm of %v frames a second, expected 0.001 to %v, or 0 for back to back", r, fastestStorm)
		}
	}
}

func (m *Message) mistakes(f findings) {
	kind := bus.Data
	if m.Remote {
		kind = bus.Remote
	}
	formatRight := true
	if err := bus.CheckFormat(m.ID, kind, m.Flags, m.Length); err != nil {
		f.add("%w", err)
		formatRight = false
	}
	if m.Period != 0 {
		f.within("period", m.Period, shortestPeriod, longestTime)
	}
	f.within("offset", m.Offset, 0, longestTime)
	if m.Phase > PhaseFixed {
		f.add("phase %d is neither random nor fixed", m.Phase)
	}
	if m.Phase == PhaseRandom && m.Offset != 0 {
		f.add("offset %v, but the phase is random", m.Offset)
	}
	driftRight := math.Abs(m.Drift) <= mostDrift
	if !driftRight {
		f.add("clock drift %v ppm, expected -%v to %v", m.Drift, mostDrift, mostDrift)
	}
	if step := time.Duration(float64(m.Period) * (1 + m.Drift*1e-6)); driftRight && (m.Jitter < 0 || m.Jitter > 0 && m.Jitter >= step) {
		f.add("release jitter %v, expected 0 to below the period of %v", m.Jitter, step)
	}
	if m.Remote && (m.Selector != nil || len(m.Pages) > 0 || len(m.Fields) > 0) {
		f.add("a remote frame has no fields and no pages: it carries no data")
	} else if formatRight {
		m.layoutMistakes(f)
	}
	if m.Events != nil {
		m.Events.mistakes(f, m)
	}
}

func (m *Message) layoutMistakes(f findings) {
	definitions := make([]signal.Definition, len(m.Fields))
	for i := range m.Fields {
		definitions[i] = m.Fields[i].Signal
	}
	if err := signal.CheckLayout(m.Length, definitions, m.Selector); err != nil {
		f.add("%w", err)
	}
	if m.Selector == nil && len(m.Pages) > 0 {
		f.add("has pages but no page selector")
	}
	if m.Selector != nil && len(m.Pages) == 0 {
		f.add("has a page selector but no pages")
	}
	pages := map[int]bool{}
	for _, page := range m.Pages {
		pages[page] = true
		if s := m.Selector; s != nil && s.Check() == nil && (page < 0 || page >= 1<<s.Bits) {
			f.add("page %d, expected 0 to %d: the selector has %d bits", page, 1<<s.Bits-1, s.Bits)
		}
	}
	for i := range m.Fields {
		field := &m.Fields[i]
		f := findings{fmt.Sprintf("%s, signal %q", f.about, field.Signal.Name), f.all}
		if page := field.Signal.Page; m.Selector != nil && page != signal.AnyPage && !pages[page] {
			f.add("lies on page %d, which is never sent", page)
		}
		field.Value.mistakes(f, &field.Signal)
	}
}

// mistakes returns what is wrong with a value; d may have mistakes of its own.
func (v *Value) mistakes(f findings, d *signal.Definition) {
	switch v.Kind {
	case Counter, Checksum:
		if d.Float {
			f.add("a counter or checksum cannot be a floating point number")
		}
		return
	case Constant, Ramp, Sine, RandomWalk, Square, Pulse:
	default:
		f.add("law of value %d does not exist", v.Kind)
		return
	}
	v.inRange(f, d, "low value", v.Low)
	if v.Kind != Constant {
		v.inRange(f, d, "high value", v.High)
	}
	switch v.Kind {
	case Ramp, Sine, Square:
		f.within("turn", v.Every, time.Microsecond, longestTime)
	case Pulse:
		f.within("mean distance of pulses", v.Every, shortestMean, longestTime)
	case RandomWalk:
		if v.Low > v.High {
			f.add("walks between %v and %v: the low value is above the high one", v.Low, v.High)
		} else if !(v.Step >= 0 && v.Step <= v.High-v.Low) {
			f.add("step %v, expected 0 to the width of the range, %v", v.Step, v.High-v.Low)
		}
	}
	switch {
	case v.Kind == Square && (v.Width < 0 || v.Width >= v.Every):
		f.add("width %v, expected above 0 and below the turn of %v, or 0 for half of it", v.Width, v.Every)
	case v.Kind == Pulse && (v.Width <= 0 || v.Width > v.Every):
		f.add("width %v, expected above 0 and at most the mean distance of %v", v.Width, v.Every)
	}
}

func (v *Value) inRange(f findings, d *signal.Definition, what string, x float64) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		f.add("%s %v, expected a number", what, x)
		return
	}
	if d.Check() != nil {
		return
	}
	if _, clipped := d.ToRaw(x); clipped {
		low, high := d.Range()
		f.add("%s %v does not fit: the signal goes from %v to %v", what, x, low, high)
	}
}

func (e *Events) mistakes(f findings, m *Message) {
	if len(e.OnChange) == 0 && e.Every == 0 && e.Heartbeat == 0 {
		f.add("has events, but no field to watch, no mean distance and no heartbeat")
	}
	for _, i := range e.OnChange {
		if i < 0 || i >= len(m.Fields) {
			f.add("watches field %d, expected 0 to %d", i, len(m.Fields)-1)
		} else if kind := m.Fields[i].Value.Kind; kind != Square && kind != Pulse {
			f.add("watches signal %q: only the changes of a square or pulse are known beforehand", m.Fields[i].Signal.Name)
		}
	}
	if e.Every != 0 {
		f.within("mean distance of events", e.Every, shortestMean, longestTime)
	}
	if e.Heartbeat != 0 {
		f.within("heartbeat", e.Heartbeat, shortestPeriod, longestTime)
	}
	f.within("minimum gap", e.MinGap, 0, longestTime)
	if e.Group < 0 || e.Group > mostGroup {
		f.add("groups of %d, expected 0 to %d", e.Group, mostGroup)
	}
	if e.Group > 1 && e.Every == 0 {
		f.add("groups without a mean distance of events")
	}
	if e.Group > 1 {
		f.within("spacing in a group", e.Spacing, shortestPeriod, longestTime/mostGroup)
	} else if e.Spacing != 0 {
		f.add("spacing %v without groups", e.Spacing)
	}
}

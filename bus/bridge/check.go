package bridge

import (
	"errors"
	"fmt"
	"math"
	"time"

	"stalegauge/bus"
)

// leastBytes is the room of the largest classic frame.
const leastBytes = 13

// longest bounds every span of the configuration, so that sums of instants stay
// far inside a time.Duration.
const longest = 366 * 24 * time.Hour

// checker collects mistakes.
type checker struct{ mistakes []error }

func (k *checker) want(good bool, format string, args ...any) {
	if !good {
		k.mistakes = append(k.mistakes, fmt.Errorf(format, args...))
	}
}

// span wants a duration between least and a year.
func (k *checker) span(name string, d, least time.Duration) {
	k.want(d >= least && d <= longest, "%s: %v, expected %v to %v", name, d, least, longest)
}

// kind wants one of the constants up to last.
func (k *checker) kind(name string, kind, last uint8) {
	k.want(kind <= last, "%s: unknown value %d, expected 0 to %d", name, kind, last)
}

func (k *checker) rate(name string, rate float64) {
	k.want(rate >= 0 && !math.IsInf(rate, 0), "%s: %v, expected 0 (no limit) or more", name, rate)
}

// check finds the mistakes of the configuration and works out codec and limits.
func (b *Bridge) check() error {
	c, k := &b.cfg, new(checker)
	k.checkInput(c)
	k.checkForward(c)
	k.checkPolicies(c)
	k.checkOutput(c)
	if len(k.mistakes) > 0 { // sizes mean nothing yet
		return errors.Join(k.mistakes...)
	}
	b.codec = NewCodec(c.Layout, c.Forward)
	for slot, e := range c.Forward {
		size := b.codec.header + b.codec.RecordSize(slot, e.Length)
		k.want(size <= c.MaxPayload, "Forward[%d].Length: %s with %d bytes makes a broadcast of %d bytes, MaxPayload is %d", slot, e.ID, e.Length, size, c.MaxPayload)
	}
	b.limit.on.air = c.Limit.AirShare > 0
	b.fullCost = b.costOf(c.MaxPayload)
	k.checkLimit(c, &b.limit, b.fullCost)
	return errors.Join(k.mistakes...)
}

// checkInput looks at what comes before the forward list.
func (k *checker) checkInput(c *Config) {
	k.want(c.Controller.Frames >= 0, "Controller.Frames: %d, expected 0 (no limit) or more", c.Controller.Frames)
	k.want(c.Controller.Frames > 0 || c.Controller.Bytes == 0 || c.Controller.Bytes >= leastBytes,
		"Controller.Bytes: %d, expected 0 (no limit) or at least %d, one 29-bit frame of 8 bytes", c.Controller.Bytes, leastBytes)
	k.kind("Controller.Overrun", uint8(c.Controller.Overrun), uint8(OverwriteOldest))
	k.span("Pickup.Latency", c.Pickup.Latency, 0)
	k.span("Pickup.Tick", c.Pickup.Tick, 0)
	k.span("Pickup.Phase", c.Pickup.Phase, 0)
	k.span("Pickup.Cost", c.Pickup.Cost, 0)
	for i, s := range c.Stalls {
		k.want(s.From >= 0 && s.From < s.Until && s.Until <= longest,
			"Stalls[%d]: from %v until %v, expected 0 to %v and an end after the begin", i, s.From, s.Until, longest)
	}
	k.span("Random.Every", c.Random.Every, 0)
	if c.Random.Every > 0 {
		k.want(c.Random.Length > 0 && c.Random.Length <= c.Random.Every,
			"Random.Length: %v, expected more than 0 and at most Every, %v: otherwise the stalls join without end", c.Random.Length, c.Random.Every)
		k.want(c.Stream != nil, "Stream: nil, random stalls need it")
	}
	k.want(c.QueueDepth >= 1, "QueueDepth: %d, expected 1 or more", c.QueueDepth)
}

// checkForward looks at the forward list.
func (k *checker) checkForward(c *Config) {
	k.want(!c.Layout.Kind.fixedLength() || len(c.Forward) <= maxSlots,
		"Forward: %d entries, a slot of one byte tells %d apart", len(c.Forward), maxSlots)
	first := make(map[bus.ID]int, len(c.Forward))
	for i, e := range c.Forward {
		at := fmt.Sprintf("Forward[%d]", i)
		k.want(e.ID.Valid(), "%s.ID: %s does not fit its width", at, e.ID)
		if j, twice := first[e.ID]; twice {
			k.want(false, "%s.ID: %s is Forward[%d] already", at, e.ID, j)
		} else {
			first[e.ID] = i
		}
		k.want(e.Divide >= 0, "%s.Divide: %d, expected 0 or 1 (all frames) or more", at, e.Divide)
		k.span(at+".MinGap", e.MinGap, 0)
		k.want(e.Length >= 0 && e.Length <= bus.MaxLength, "%s.Length: %d, expected 0 to %d", at, e.Length, bus.MaxLength)
		if e.Selector != nil {
			if err := e.Selector.Check(); err != nil {
				k.want(false, "%s.Selector: %w", at, err)
			}
		}
		k.checkEntry(c, at, &c.Forward[i])
	}
}

// checkOutput looks at what comes behind the forward list, but for the limits.
func (k *checker) checkOutput(c *Config) {
	k.want(c.Repeat.Copies >= 0, "Repeat.Copies: %d, expected 0 or 1 (once) or more", c.Repeat.Copies)
	k.span("Repeat.Spacing", c.Repeat.Spacing, 0)
	k.kind("Layout.Kind", uint8(c.Layout.Kind), uint8(layoutKinds-1))
	k.want(c.Layout.Tag == 0 || c.Layout.Tag >= leastTag && c.Layout.Tag <= mostTag, "Layout.Tag: %d, expected 0 (none) or %d to %d", c.Layout.Tag, leastTag, mostTag)
	k.want(c.SendQueue.Depth >= 1, "SendQueue.Depth: %d, expected 1 or more", c.SendQueue.Depth)
	k.kind("SendQueue.Full", uint8(c.SendQueue.Full), uint8(FullReplaceSame))
	k.span("Pace.Gap", c.Pace.Gap, 0)
	k.want(c.Pace.InRadio >= 0, "Pace.InRadio: %d, expected 0 (any number) or more", c.Pace.InRadio)
	k.span("SendTimeout", c.SendTimeout, 0)
	k.span("DropOlder", c.DropOlder, 0)
	k.want(c.MaxPayload >= headerBytes, "MaxPayload: %d, expected at least %d, the header", c.MaxPayload, headerBytes)
	k.rate("Limit.Broadcasts", c.Limit.Broadcasts)
	k.rate("Limit.Bytes", c.Limit.Bytes)
	k.want(c.Limit.AirShare >= 0 && c.Limit.AirShare <= 1, "Limit.AirShare: %v, expected 0 (no limit) to 1", c.Limit.AirShare)
	k.want(c.Limit.AirShare == 0 || c.Airtime != nil, "Airtime: nil, Limit.AirShare needs it")
	k.span("Limit.Burst", c.Limit.Burst, 0)
}

// checkLimit makes the buckets. Each must hold a broadcast of full payload.
func (k *checker) checkLimit(c *Config, l *limiter, full cost) {
	l.on.broadcasts, l.on.bytes = c.Limit.Broadcasts > 0, c.Limit.Bytes > 0
	l.on.any = l.on.broadcasts || l.on.bytes || l.on.air
	fill := func(on bool, name string, b *bucket, rate float64, per time.Duration, full int64, unit string) {
		if !on {
			return
		}
		var ok bool
		if *b, ok = newBucket(rate, per, c.Limit.Burst, full); ok {
			return
		}
		if held := rate * float64(c.Limit.Burst) / float64(per); c.Limit.Burst > 0 && held < float64(full) {
			k.want(false, "Limit.Burst: %v saves up %.4g %s, a broadcast of full payload takes %d", c.Limit.Burst, held, unit, full)
			return
		}
		k.want(false, "Limit.%s: a rate of %v with a burst of %v is out of reach", name, rate, c.Limit.Burst)
	}
	fill(l.on.broadcasts, "Broadcasts", &l.broadcasts, c.Limit.Broadcasts, time.Second, 1, "broadcasts")
	fill(l.on.bytes, "Bytes", &l.bytes, c.Limit.Bytes, time.Second, full.bytes, "bytes")
	fill(l.on.air, "AirShare", &l.air, c.Limit.AirShare, 1, full.air, "ns of air")
}

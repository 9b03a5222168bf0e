package live

import (
	"time"

	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// View is what a listener knows at an instant.
type View struct {
	Began    bool
	Elapsed  time.Duration // since instant 0
	Silent   time.Duration // since the last datagram of the own set
	Counts   Counts
	Displays [][]sim.Shown // by display and signal; nil without ages
	Dropped  []uint64      // by display: records, and datagrams of others, that its full queue dropped
}

// quiet is how long a sender may say nothing before it has fallen silent: what is
// measured ends with the last datagram then.
const quiet = 250 * time.Millisecond

// View returns what is known now. The displays stand where the last datagram found
// them: to bring them on would count time that may turn out to be silence.
func (l *Listener) View() View {
	l.mu.Lock()
	defer l.mu.Unlock()
	v := View{Began: l.began, Counts: l.totals()}
	if !l.began {
		return v
	}
	v.Elapsed = time.Since(l.start)
	v.Silent = v.Elapsed - l.last
	if l.probe == nil {
		return v
	}
	for i := range l.config.Plan.Receivers {
		v.Displays = append(v.Displays, l.probe.Show(i, v.Elapsed))
		_, drops := l.probe.Queue(i)
		v.Dropped = append(v.Dropped, drops)
	}
	return v
}

// totals returns the counts up to now.
func (l *Listener) totals() Counts {
	c := l.counts
	c.Losses = l.sequence.losses()
	c.SameClock, c.Drift = l.clock.same, l.clock.envelope.slope
	c.Sets = nil
	for set, n := range l.counts.Sets {
		if c.Sets == nil {
			c.Sets = map[uint16]uint64{}
		}
		c.Sets[set] = n
	}
	return c
}

// Measured is what a listener measured.
type Measured struct {
	Plan   *scenarios.Plan // nil without a scenario
	Began  bool
	Span   time.Duration    // from instant 0 to the end of what was measured
	Silent time.Duration    // after it, until the listener stopped
	Run    *sim.Replication // what the displays measured; nil without displays, or when nothing was heard
	Counts Counts
	// Lateness is from the end of the air time to the arrival of each datagram: of a
	// sender with another clock, above the shortest.
	Lateness  *age.Points
	Rates     [RateOctaves]RateUse
	Intervals []*Interval // by identifier and page, in order of their first arrival

	Asked, Buffer int    // bytes of the socket's receive buffer; Buffer 0 = unknown
	Drops         uint64 // thrown away by the kernel
	DropsKnown    bool
}

// Finish ends the measurement. until is the instant at which the sender's run ends,
// 0 when the listener does not know: then it ends with the last datagram.
func (l *Listener) Finish(until time.Duration) *Measured {
	l.mu.Lock()
	defer l.mu.Unlock()
	m := &Measured{Plan: l.config.Plan, Began: l.began, Counts: l.totals(), Lateness: &l.late, Rates: l.rates.octaves, Intervals: l.ids.all}
	if !l.began {
		return m
	}
	now := time.Since(l.start)
	m.Span = l.last
	if now-l.last <= quiet {
		m.Span = now
	}
	if until > 0 {
		m.Span = until
	}
	m.Span = max(m.Span, l.reached)
	m.Silent = max(0, now-m.Span)
	if l.probe != nil && m.Counts.Untimed < m.Counts.Own {
		m.Run = l.probe.Close(m.Span)
	}
	return m
}

// Sum returns Own + Foreign + OtherSender + Malformed.
func (c *Counts) Sum() uint64 {
	sum := c.Own + c.Foreign + c.OtherSender
	for _, n := range c.Malformed {
		sum += n
	}
	return sum
}

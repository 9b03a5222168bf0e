package bridge

import (
	"fmt"
	"time"
)

// Lever is a parameter that moves how long values are held before they are taken
// into a broadcast.
type Lever struct {
	Key    string        // as a scenario writes it
	Time   time.Duration // its value where that is a time
	Number float64       // its value where that is a number
	IsTime bool
	IsWord bool // the value is neither: the policy itself
}

// HoldLever returns what holds the values of the entry with this slot for
// longest: a cap or divider of its own, else the parameter of its policy that
// matters most. The configuration must be free of mistakes.
//
// A policy of a mix has the key bridge.policies.NAME.
func (c *Config) HoldLever(slot int) Lever {
	e := &c.Forward[slot]
	own, policy := fmt.Sprintf("bridge.forward.%d.", slot), "bridge.policy."
	if e.Policy > 0 {
		policy = "bridge.policies." + c.PolicyOf(slot).Name + "."
	}
	lever, wait := c.policyLever(slot, policy)
	switch {
	case e.MinGap > wait:
		return Lever{Key: own + "cap", Time: e.MinGap, IsTime: true}
	case e.Divide > 1:
		return Lever{Key: own + "divide", Number: float64(e.Divide)}
	}
	return lever
}

// policyLever returns the parameter of the policy of an entry and for how long
// it holds a value, as far as that has a bound.
func (c *Config) policyLever(slot int, prefix string) (Lever, time.Duration) {
	e := &c.Forward[slot]
	timed := func(key string, d time.Duration) (Lever, time.Duration) {
		return Lever{Key: prefix + key, Time: d, IsTime: true}, d
	}
	switch p := c.PolicyOf(slot); p.Kind {
	case Fill:
		return timed("hold", p.Hold)
	case Table:
		wait := time.Duration(min(float64(p.Every)*float64(c.Rounds()[slot]), float64(longest)))
		if e.Every > 1 {
			return Lever{Key: fmt.Sprintf("bridge.forward.%d.every", slot), Number: float64(e.Every)}, wait
		}
		lever, _ := timed("every", p.Every)
		return lever, wait
	case Change:
		switch {
		case p.Heartbeat > 0:
			return timed("heartbeat", p.Heartbeat)
		case p.MinGap > 0:
			return timed("min_gap", p.MinGap)
		}
	case Slack:
		return Lever{Key: prefix + "share", Number: p.Slack.Share}, 0
	}
	return Lever{Key: prefix + "kind", IsWord: true}, 0
}

package scenarios

import (
	"slices"
	"time"

	"stalegauge/bus/bridge"
)

// BatchedName is what comparisons call the plan of [Batched].
const BatchedName = "everything batched"

// Batched returns the plainest design that batches, as a yardstick for others:
// what the scenario forwards, every entry of the list alike, collected until a
// broadcast is full or its first record has waited for the default hold, sent
// once. Bus, radio, layout, limits and displays stay as they are. The hold is the
// default and not the scenario's own, so that the yardstick is the same length
// everywhere.
func Batched(p *Plan) *Plan {
	b := *p
	plain(&b.Bridge)
	b.Neighbours = slices.Clone(p.Neighbours)
	for i := range b.Neighbours {
		plain(&b.Neighbours[i].Bridge)
	}
	b.Assumptions = nil // they speak of the scenario's own bridge
	return &b
}

// BatchedHold is the hold of [Batched].
func BatchedHold() string {
	for _, k := range Keys() {
		if k.Path == "bridge.policy.hold" {
			return k.Default
		}
	}
	panic("scenarios: no hold in the table of keys")
}

func plain(c *bridge.Config) {
	hold, err := time.ParseDuration(BatchedHold())
	if err != nil {
		panic("scenarios: " + err.Error())
	}
	c.Policy, c.Policies = bridge.Policy{Kind: bridge.Fill, Hold: hold}, nil
	c.Repeat = bridge.Repeat{Copies: 1}
	c.Forward = slices.Clone(c.Forward)
	for i := range c.Forward {
		f := &c.Forward[i]
		f.Divide, f.MinGap, f.Policy, f.Class, f.Every = 1, 0, 0, 0, 0
	}
}

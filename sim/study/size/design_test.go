package size

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/bridge"
	"stalegauge/scenarios"
)

// alikePlans fails unless two plans run alike.
func alikePlans(t *testing.T, want, got *scenarios.Plan, name string) {
	t.Helper()
	watches := want.Bridge.Policy.Kind == bridge.Change || want.Bridge.Policy.Kind == bridge.Slack || want.Bridge.Policy.Latch
	bare := func(p *scenarios.Plan) scenarios.Plan {
		c := *p
		if c.Bridge.Forward = slices.Clone(c.Bridge.Forward); !watches {
			for i := range c.Bridge.Forward {
				c.Bridge.Forward[i].Watched = bridge.Watched{} // nobody asks
			}
		}
		c.SHA256, c.Assumptions, c.Warnings, c.Needed = "", nil, nil, false
		c.Bridge.Airtime = nil
		c.Neighbours = slices.Clone(c.Neighbours)
		for i := range c.Neighbours {
			c.Neighbours[i].Bridge.Airtime, c.Neighbours[i].Bridge.Forward = nil, c.Bridge.Forward
		}
		return c
	}
	require.Equal(t, bare(want), bare(got), name)
}

// What a search simulates is what the settings that it tells load as.
func TestSettingsLoadAsWhatIsSimulated(t *testing.T) {
	for _, scenario := range []struct {
		name string
		sets []string
		part int // designs between two that are checked
	}{
		{"orchard", []string{"size.radios=[action-frame@6Mbit/s, ble-extended, gfsk-packet]"}, 211},
		{"two-tractors", nil, 97},
		{"forward-everything", nil, 101},
		{"river-ferry", []string{"size.orders=limits"}, 103},
		{"orchard", []string{"bridge.policy={kind: change, latch: true}", "bridge.forward=[{id: 120, watch: all}, {id: 128, dead_bands: {shaft_torque: 2}}, 140, 150, 1A0, 1A4, 1B0, 1C0, 240, 320, {id: 328, class: 1}, 420, 428]"}, 89},
	} {
		p := open(t, scenario.name, scenario.sets...)
		designs := p.designs()
		require.Greater(t, len(designs), 400)
		for i := 0; i < len(designs); i += scenario.part / counts(1, 10) {
			d := &designs[i]
			if _, fits := recordSizes(&p.apply(d).Bridge); !fits {
				continue
			}
			loaded, err := scenarios.Open(scenario.name, p.With(d))
			require.NoError(t, err, p.Name(d))
			alikePlans(t, loaded, p.apply(d), scenario.name+": "+p.Name(d))
		}
	}
}

// Each beginning of the list of designs is spread over all of it.
func TestDesignsAreSpread(t *testing.T) {
	p := open(t, "orchard")
	designs := p.designs()
	seen := map[string]int{}
	names := map[string]bool{}
	for i := range designs {
		names[p.Name(&designs[i])] = true
		if i < len(designs)/8 {
			seen[designs[i].Policy.Kind.String()]++
			seen[designs[i].Layout.String()]++
		}
	}
	require.Len(t, names, len(designs))
	require.Len(t, seen, 8, "%v", seen)
}

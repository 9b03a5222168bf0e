package study

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/scenarios"
)

// rival is a policy with its grid of parameters, each point a list of changes to a
// scenario. Forward list, layout, radio and queues are the scenario's for all.
type rival struct {
	name string
	grid func(budget float64, entries int) [][]string // entries: how long the forward list is
}

// cross joins every choice of one list with every choice of the others.
func cross(fixed []string, lists ...[][]string) [][]string {
	points := [][]string{fixed}
	for _, list := range lists {
		var next [][]string
		for _, p := range points {
			for _, more := range list {
				next = append(next, slices.Concat(p, more))
			}
		}
		points = next
	}
	return points
}

// each writes a key with each of some values.
func each(key string, values ...string) (list [][]string) {
	for _, v := range values {
		list = append(list, []string{key + "=" + v})
	}
	return list
}

// caps bounds every entry of the forward list to each of some rates a second.
func caps(entries int, rates ...int) (list [][]string) {
	for _, rate := range rates {
		var sets []string
		for i := range entries {
			sets = append(sets, fmt.Sprintf("bridge.forward.%d.cap=%d/s", i, rate))
		}
		list = append(list, sets)
	}
	return list
}

// ofBudget writes a key with some parts of the budget.
func ofBudget(key string, budget float64, parts ...float64) (list [][]string) {
	for _, part := range parts {
		list = append(list, []string{fmt.Sprintf("%s=%.4g%%", key, 100*budget*part)})
	}
	return list
}

var (
	twice   = [][]string{nil, {"bridge.repeat.copies=2"}}
	periods = []string{"12ms", "16ms", "20ms", "25ms", "30ms", "40ms", "50ms", "70ms", "100ms", "150ms", "200ms", "300ms", "500ms"}
)

var rivals = []rival{
	{"each", func(budget float64, entries int) [][]string {
		return cross([]string{"bridge.policy.kind=each"}, append(caps(entries, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 20, 30, 50), nil), twice)
	}},
	{"fill", func(float64, int) [][]string {
		return cross([]string{"bridge.policy.kind=fill"}, each("bridge.policy.hold", periods...), twice)
	}},
	{"table", func(float64, int) [][]string {
		return cross([]string{"bridge.policy.kind=table"}, each("bridge.policy.every", periods...), twice)
	}},
	{"table with groups", func(float64, int) [][]string {
		return cross([]string{"bridge.policy.kind=table", "bridge.policy.by_limits=true"}, each("bridge.policy.every", periods...), twice)
	}},
	{"change", func(float64, int) [][]string {
		return cross([]string{"bridge.policy.kind=change"}, each("bridge.policy.min_gap", "10ms", "25ms", "50ms", "100ms", "200ms"),
			each("bridge.policy.heartbeat", "200ms", "300ms", "500ms", "1s"), twice)
	}},
	{"slack", func(budget float64, _ int) [][]string {
		return cross([]string{"bridge.policy.kind=slack"}, ofBudget("bridge.policy.share", budget, .75, .85, .9, .95, .98, 1),
			each("bridge.policy.power", "3", "4"))
	}},
}

// worstRatio is the largest standing against a limit, and whose it is.
func worstRatio(r *Result) (worst float64, name string) {
	for _, d := range r.Receivers {
		for _, s := range d.Signals {
			if s.Standing > worst {
				worst, name = s.Standing, d.Name+" "+s.Shown.Signal.Name
			}
		}
	}
	return worst, name
}

// field is a scenario and how long it is looked at.
type field struct {
	scenario           string
	sets               []string
	choosing, measured int // replications
}

// best returns the point of a grid whose worst ratio is smallest among those that
// keep to the budget of air, chosen on the seeds of the scenario.
func (f *field) best(t *testing.T, points [][]string, budget float64) (best []string) {
	require.GreaterOrEqual(t, len(points), 12)
	least := math.Inf(1)
	for _, p := range points {
		plan, err := scenarios.Open(f.scenario, slices.Concat(f.sets, p))
		require.NoError(t, err)
		r, err := Run(context.Background(), plan, Options{Replications: f.choosing})
		require.NoError(t, err)
		if ratio, _ := worstRatio(r); r.OwnShare.Value <= budget && ratio < least {
			least, best = ratio, p
		}
	}
	return best
}

// measure compares the chosen points on fresh seeds.
func (f *field) measure(t *testing.T, chosen [][]string) *Comparison {
	var designs []Design
	for i, sets := range chosen {
		if sets == nil {
			continue // no point keeps to the budget
		}
		plan, err := scenarios.Open(f.scenario, slices.Concat(f.sets, sets, []string{"seed=424242"}))
		require.NoError(t, err)
		designs = append(designs, Design{Name: rivals[i].name, Plan: plan})
	}
	c, err := Compare(context.Background(), designs, CompareOptions{Options: Options{Replications: f.measured}})
	require.NoError(t, err)
	return c
}

// versus is the difference of slack against another design.
func versus(c *Comparison, name string) (Paired, bool) {
	for _, p := range c.Pairs {
		a, b := c.Designs[p.A].Name, c.Designs[p.B].Name
		if b == "slack" && a == name {
			return p.Worst, true
		}
	}
	return Paired{}, false
}

// With the same share of air for every policy, each with the best of its own
// parameters, slack is never shown to be worse than the table with groups on the
// built-in scenario. In the long form the whole comparison is printed, for three
// budgets and three scenarios.
func TestPoliciesAtEqualAirtime(t *testing.T) {
	fields, budgets := []field{{"orchard", []string{"duration=45s"}, 1, 10}}, []float64{.06}
	if counts(0, 1) == 1 {
		fields = []field{{"orchard", []string{"duration=120s"}, 4, 40}, {"busy-access-point", nil, 3, 20}, {"two-tractors", nil, 4, 40}}
		budgets = []float64{.03, .06, .12}
	}
	for _, f := range fields {
		for _, budget := range budgets {
			plan, err := scenarios.Open(f.scenario, nil)
			require.NoError(t, err)
			var chosen [][]string
			for _, r := range rivals {
				chosen = append(chosen, f.best(t, r.grid(budget, len(plan.Bridge.Forward)), budget))
			}
			c := f.measure(t, chosen)
			t.Logf("%s, %.0f %% of the air", f.scenario, 100*budget)
			for i, d := range c.Designs {
				ratio, worst := worstRatio(c.Results[i])
				text := fmt.Sprintf("%-18s %.3f at %s, own %.2f %%", d.Name, ratio, worst, 100*c.Results[i].OwnShare.Value)
				if v, ok := versus(c, d.Name); ok {
					text += fmt.Sprintf("; slack %+.3f (%+.3f..%+.3f)", v.Difference.Value, v.Difference.Low, v.Difference.High)
				}
				k := slices.IndexFunc(rivals, func(r rival) bool { return r.name == d.Name })
				t.Log(text, strings.Join(chosen[k][1:min(3, len(chosen[k]))], " "))
			}
			v, ok := versus(c, "table with groups")
			require.True(t, ok)
			require.LessOrEqual(t, v.Difference.Low, 0., "slack is shown to be worse than the table with groups")
		}
	}
}

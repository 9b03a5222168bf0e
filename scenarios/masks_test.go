package scenarios

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/mask"
)

// Masks for the forward list, worked out and given, are the same masks.
func TestMasksAutoAndGiven(t *testing.T) {
	auto := open(t, "orchard", "bridge.controller.shape=two-masks", "bridge.controller.masks=auto")
	require.True(t, auto.Masks.Auto)
	require.Equal(t, mask.Optimal, auto.Masks.Answer.Proof)
	require.Same(t, auto.Masks.Answer.Program, auto.Bridge.Controller.Masks)
	require.InDelta(t, auto.Bus.FramesPerSecond(), auto.Masks.Before, 1e-3)
	require.Less(t, auto.Masks.After, auto.Masks.Before/2)
	for _, id := range ForwardIDs(auto) {
		require.True(t, auto.Bridge.Controller.Masks.Accepts(&bus.Frame{ID: id}))
	}
	var words []string
	for _, w := range auto.Bridge.Controller.Masks.Words() {
		words = append(words, fmt.Sprintf("%08X", w.Value))
	}
	given := open(t, "orchard", "bridge.controller.shape=two-masks", "bridge.controller.masks=["+strings.Join(words, ", ")+"]")
	require.Equal(t, auto.Bridge.Controller, given.Bridge.Controller)
	require.Equal(t, &MaskPlan{Before: auto.Masks.Before, After: auto.Masks.After}, given.Masks)
}

func TestMaskMistakes(t *testing.T) {
	for change, want := range map[string]string{
		"bridge.controller.masks=auto":                                   "masks of a controller without a shape",
		"bridge.controller={shape: two-mask, masks: auto}":               "did you mean two-masks?",
		"bridge.controller={shape: two-masks, masks: [1, xy]}":           `found "xy", expected a register word of up to 8 hexadecimal digits`,
		"bridge.controller={shape: two-masks, masks: [1, 2]}":            "no masks of two-masks: 2 words, expected 8: mask 0, codes 0-1, mask 1, codes 2-5",
		"bridge.controller={shape: elements-0-4, masks: auto}":           "no masks for the forward list: 120 has 11 bits, and elements-0-4 receives identifiers of 29 bits only",
		"bridge.controller={shape: one-code-dual, masks: [100000000,1]}": "a register word",
	} {
		_, err := Open("orchard", []string{change})
		require.ErrorContains(t, err, want, change)
	}
}

// Masks that turn away what is to be forwarded are possible, and warned of.
func TestMasksAgainstTheForwardList(t *testing.T) {
	p := open(t, "orchard", "bridge.controller={shape: one-code-single, masks: [24000000, 000FFFFF]}")
	require.Contains(t, p.Warnings, "the masks of the controller turn away what is on the forward list: 128, 140, 150, 1A0, 1A4, 1B0, 1C0, 240, 320, 328, 420, 428")
	require.InDelta(t, 50, p.Masks.After, 0.1)
}

// The forward list by need: what displays show, and what that costs. The row of
// motor power is worked out by hand: a record of 2 + 1 + 8 bytes 20 times a
// second, 11 + 3 of 64 bits of which are shown.
func TestForwardByNeed(t *testing.T) {
	p := open(t, "orchard", "bridge.forward=auto")
	require.True(t, p.Needed)
	require.Equal(t, ForwardIDs(open(t, "orchard")), ForwardIDs(p), "the list of the built-in scenario is what its displays need")
	costs := ForwardCosts(p)
	motor := costs[2]
	require.Equal(t, "Motor", motor.Message)
	require.Equal(t, []any{11, 14, 64}, []any{motor.Bytes, motor.ShownBits, motor.Bits})
	require.InDelta(t, 20, motor.PerSecond, 0.01)
	require.Equal(t, []string{"motor_power", "drive_mode"}, motor.Shown)
	perByte := (p.Bridge.Airtime(250) - p.Bridge.Airtime(7)).Seconds() / 243
	require.InDelta(t, 20*11*perByte, motor.AirShare, 1e-5)
	require.Equal(t, []string{"wheel_slip", "drive_count", "drive_check"}, costs[0].Others)
	thermals := costs[7] // four pages, of one of which a signal of 8 bits is shown
	require.Equal(t, []any{"Thermals", 8, 256}, []any{thermals.Message, thermals.ShownBits, thermals.Bits})

	each := ForwardCosts(open(t, "orchard", "bridge.forward=auto", "bridge.policy=each", "bridge.repeat=2"))[2]
	require.InDelta(t, 40*p.Bridge.Airtime(7+11).Seconds(), each.AirShare, 1e-5)
	table := ForwardCosts(open(t, "orchard", "bridge.forward=auto", "bridge.policy={kind: table, every: 100ms}"))[2]
	require.InDelta(t, 10, table.PerSecond, 1e-9)

	few := open(t, "testdata/base.yaml", "bridge.forward=auto", "bus.filler=[{ids: [300-303], period: 100ms}]")
	require.Equal(t, []bus.ID{0x120, 0x1A0}, ForwardIDs(few), "what nobody shows stays at home")
}

// Event messages count at the rate of their law, remote frames apart; of a
// capture the frames are counted.
func TestFlows(t *testing.T) {
	p := open(t, "testdata/rich.yaml", "bus.messages.Drive.events={on_change: [mode], every: 3s, group: 2}", "bus.messages.Ask.remote=true")
	flows := p.Bus.Flows()
	// A period of 20 ms, 2 frames every 3 s, and a pulse that changes twice in 4 s.
	require.InDelta(t, 50+2.0/3+0.5, flows[0].PerSecond, 1e-9)
	require.Equal(t, mask.Flow{ID: 0x121, Remote: true, PerSecond: 1}, flows[1])
}

package scenarios

import (
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every key says what it means, and every value that may be left out has a
// default that the program can read, within its bounds, with its origin.
func TestTableIsComplete(t *testing.T) {
	for _, k := range Keys() {
		require.NotEmpty(t, k.About, k.Path)
		if k.required || k.fallback != "" || k.kind == section || strings.HasSuffix(k.Path, ".*") {
			continue
		}
		require.NotEmpty(t, k.Origin, "%s: origin of the default", k.Path)
		if k.kind == anyText || k.kind == names || k.kind == items {
			continue
		}
		require.NotEmpty(t, k.Default, k.Path)
		require.NotPanics(t, func() {
			require.Nil(t, k.outOfRange(k.defaultValue(), k.Default), k.Path)
		})
		if k.kind == duration || k.kind == whole || k.kind == rate || k.kind == bitRate || k.kind == share {
			require.NotEmpty(t, k.Min, "%s: bounds", k.Path)
			require.NotEmpty(t, k.Max, "%s: bounds", k.Path)
		}
	}
}

// others are values to try for a key, by kind, besides the words of the key.
var others = map[kind][]string{
	anyText: {"other", "lamp"}, truth: {"true", "false"}, whole: {"1", "3", "4", "5", "7", "9", "16", "24", "64"}, number: {"0.001", "2.5", "7"},
	duration: {"2ms", "7ms", "50ms", "300us", "200us", "3s", "30s"}, share: {"0.5%", "3%", "40%", "90%"}, drift: {"70ppm"},
	bitRate: {"2Mbit/s", "1Mbit/s", "250kbit/s", "125kbit/s"}, frequency: {"250kHz"}, rate: {"300/s", "90000/s", "20/min"}, power: {"20mW"}, voltage: {"5V"}, ident: {"201", "333"}, idents: {"200-205"},
}

// particular are values to try for a key first, where the kind tells too little.
var particular = map[string][]string{
	"bus.capture.file.*":        {"other.log"},
	"bus.capture.columns.t":     {"time"},
	"bus.capture.columns.id":    {"id"},
	"bus.capture.columns.ext":   {"w"},
	"bus.capture.columns.ch":    {"c"},
	"bus.capture.columns.dlc":   {"n"},
	"bus.capture.columns.data":  {"data"},
	"bus.capture.columns.dir":   {"r"},
	"bus.capture.line_template": {`(?P<t>[0-9.]+)\) (?P<ch>\w+) (?P<id>[0-9A-F]+)#(?P<data>[0-9A-F]*)`},
	"bus.database.file":         {"pump.dbc"},
	"bus.capture.channel":       {"can1"},
	"bus.capture.time_unit":     {"us"},
	"bridge.forward.*.policy":   {"spare"},
	"bridge.controller.shape":   {"one-code-dual"},
	"bridge.controller.masks.*": {"24000001"},

	"size.radios.*": {"gfsk-packet@250kbit/s"},

	"weather.trace.file":               {"losses.csv"},
	"receivers.*.weather.trace.file":   {"losses.csv"},
	"weather.trace.period":             {"30ms"},
	"receivers.*.weather.trace.period": {"30ms"},
}

// companions are changes without which a key has no effect.
var companions = map[string][]string{
	"bridge.forward.*.every":               {"bridge.policy.kind=table"},
	"bridge.forward.*.watch":               {"bridge.policy.kind=change"},
	"bridge.forward.*.dead_bands.*":        {"bridge.policy.kind=change", "bridge.forward.0.dead_bands={speed: 0.5}"},
	"radio.airtime":                        {"radio.profile=ideal"},
	"radio.per_byte":                       {"radio.profile=ideal"},
	"radio.payload":                        {"radio.profile=ideal"},
	"radio.addressing":                     {"radio.profile=802.15.4"},
	"radio.backoff_exponent":               {"radio.profile=802.15.4"},
	"radio.max_backoff_exponent":           {"radio.profile=802.15.4"},
	"radio.assessments":                    {"radio.profile=802.15.4"},
	"radio.interval":                       {"radio.profile=ble-legacy"},
	"radio.spacing":                        {"radio.profile=ble-legacy"},
	"radio.primary_rate":                   {"radio.profile=ble-extended"},
	"radio.address_bytes":                  {"radio.profile=gfsk-packet"},
	"weather.move.takes":                   {"weather.move.at=9s"},
	"weather.away.takes":                   {"weather.away.every=9s"},
	"weather.away.first":                   {"weather.away.every=9s"},
	"weather.trace.file":                   {"weather.trace.period=20ms", "weather.trace.file=other.csv"},
	"weather.trace.period":                 {"weather.trace.period=20ms", "weather.trace.file=losses.csv"},
	"receivers.*.weather.move.takes":       {"weather.move.at=9s"},
	"receivers.*.weather.away.takes":       {"weather.away.every=9s"},
	"receivers.*.weather.away.first":       {"weather.away.every=9s"},
	"receivers.*.weather.trace.file":       {"weather.trace.period=20ms", "weather.trace.file=other.csv"},
	"receivers.*.weather.trace.period":     {"weather.trace.period=20ms", "weather.trace.file=losses.csv"},
	"radio.utilisation":                    {"radio.radiated=1W"},
	"receivers.*.scan_window":              {"radio.profile=ble-legacy", "receivers.dial.scan_interval=10s"},
	"receivers.*.scan_interval":            {"radio.profile=ble-legacy"},
	"radio.checksum_bytes":                 {"radio.profile=gfsk-packet"},
	"radio.spreading_factor":               {"radio.profile=lora"},
	"radio.bandwidth":                      {"radio.profile=lora"},
	"radio.coding_rate":                    {"radio.profile=lora"},
	"radio.preamble_symbols":               {"radio.profile=lora"},
	"radio.implicit_header":                {"radio.profile=lora"},
	"radio.no_checksum":                    {"radio.profile=lora"},
	"radio.low_data_rate":                  {"radio.profile=lora"},
	"radio.sub_band":                       {"radio.profile=lora"},
	"radio.duty":                           {"radio.profile=lora"},
	"radio.duty_rule":                      {"radio.profile=lora"},
	"radio.preamble":                       {"radio.rate=2Mbit/s"},
	"bus.messages.*.page.start":            {"bus.messages.Drive.signals.mode.start=12"},
	"bus.messages.*.page.order":            {"bus.messages.Drive.page.start=5"},
	"bus.messages.*.signals.*.value.high":  {"bus.messages.Drive.signals.speed.value.step=0.1"},
	"bus.messages.*.signals.*.value.width": {"bus.messages.Drive.signals.speed.value={law: square, every: 9s}"},
	"bus.messages.*.signals.*.value.every": {"bus.messages.Drive.signals.speed.value={law: sine, every: 9s}"},
	"bus.timeline.*.storm.rate":            {"bus.timeline.0.storm.id=121"},
	"bus.capture.time_unit":                {"bus.capture.file=ticks.csv"},
	"receivers.*.shows.*.expired":          {"receivers.dial.shows.speed.expire=1s"},
	"bus.capture.arrangement":              {"bus.capture.file=[drive.log, later.log]"},
	"bus.capture.columns.t":                {"bus.capture.file=ticks.csv"},
	"bus.capture.columns.id":               {"bus.capture.file=ticks.csv"},
	"bus.capture.columns.ext":              {"bus.capture.file=ticks.csv"},
	"bus.capture.columns.ch":               {"bus.capture.file=ticks.csv"},
	"bus.capture.columns.dlc":              {"bus.capture.file=ticks.csv"},
	"bus.capture.columns.data":             {"bus.capture.file=ticks.csv"},
	"bus.capture.columns.dir":              {"bus.capture.file=ticks.csv"},
	"bus.database.groups":                  {"bus.database.file=pump.dbc"},
	"bus.database.sends":                   {"bus.database.file=pump.dbc"},
	"receivers.*.shows.*.quantile":         {"receivers.dial.shows.speed.limit=200ms"},
}

// withPolicy adds that most parameters of a policy belong to one kind of it.
func withPolicy(key string) []string {
	for _, at := range []string{"bridge.policy.", "bridge.policies.*."} {
		for _, only := range policyOnly {
			if key == at+only.key {
				return []string{strings.ReplaceAll(at, "*", "spare") + "kind=" + only.kinds[0]}
			}
		}
	}
	return companions[key]
}

// A key that nobody reads would be a silent trap: changing any of them changes
// the plan.
func TestEveryKeyHasAnEffect(t *testing.T) {
	rich, err := os.ReadFile("testdata/rich.yaml")
	require.NoError(t, err)
	t.Chdir(t.TempDir())
	driveLog{until: 3 * time.Second}.write(t, "drive.log")
	driveLog{until: 4 * time.Second}.write(t, "other.log")
	require.NoError(t, os.WriteFile("losses.csv", []byte("received\n1\n0\n1\n"), 0o644))
	require.NoError(t, os.WriteFile("other.csv", []byte("received\n1\n1\n0\n"), 0o644))
	require.NoError(t, os.WriteFile("ticks.csv", []byte("time,id,data,w,c,n,r\n0,120,00,11,a,1,rx\n20000,120,01,11,a,1,rx\n40000,120,02,11,a,1,rx\n9000000,120,03,11,a,1,rx\n"), 0o644))
	require.NoError(t, os.WriteFile("later.log", []byte("(1800000000.0) can0 120#00\n(1800000001.0) can0 120#01\n"), 0o644))
	require.NoError(t, os.WriteFile("pump.dbc", []byte(pump), 0o644))
	concrete := strings.NewReplacer("size.policies.*", "size.policies.0",
		"bus.messages.*", "bus.messages.Drive", "signals.*", "signals.speed", "background.*", "background.camera",
		"neighbours.*", "neighbours.other", "receivers.*", "receivers.dial", "shows.*", "shows.speed", "parts.*", "parts.late", "policies.*", "policies.spare", "dead_bands.*", "dead_bands.speed", ".*", ".0")
	for _, k := range Keys() {
		if k.kind == section || k.kind == names || k.kind == items || k.Path == "extends" || k.Path == "about" {
			continue
		}
		text := rich
		if strings.HasPrefix(k.Path, "bus.capture.") {
			text = []byte(driven)
		}
		path := concrete.Replace(k.Path)
		if k.Path == "bus.messages.*.remote" || k.Path == "bus.messages.*.id" {
			path = strings.Replace(path, "Drive", "Ask", 1)
		}
		var with []Set
		for _, c := range withPolicy(k.Path) {
			set, err := ParseSet(c)
			require.NoError(t, err)
			with = append(with, set)
		}
		before, err := Load("rich.yaml", text, with)
		require.NoError(t, err, k.Path)
		var last error
		changed := false
		for _, value := range slices.Concat(particular[k.Path], k.Words, others[k.kind]) {
			after, err := Load("rich.yaml", text, append(with[:len(with):len(with)], Set{Path: path, Text: value}))
			if err != nil {
				last = err
			} else if changed = !reflect.DeepEqual(bare(before), bare(after)); changed {
				break
			}
		}
		assert.True(t, changed, "%s: no value changes the plan; last mistake: %v", path, last)
	}
}

// bare returns a plan without what cannot be compared and what says where its
// values come from.
func bare(p *Plan) Plan {
	c := *p
	c.SHA256, c.Assumptions, c.Warnings = "", nil, nil
	if c.Bus.Capture != nil {
		capture := *c.Bus.Capture
		capture.file = nil
		c.Bus.Capture = &capture
	}
	c.Bridge.Airtime = nil
	c.Neighbours = append([]Neighbour(nil), c.Neighbours...)
	for i := range c.Neighbours {
		c.Neighbours[i].Bridge.Airtime = nil
	}
	return c
}

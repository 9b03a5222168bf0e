package main

import (
	"testing"

	"github.com/stretchr/testify/require"

	"stalegauge/radio"
	"stalegauge/scenarios"
)

// The setting of each row, given to a scenario, makes the radio of that row.
func TestRadiosAreThoseOfScenarios(t *testing.T) {
	for _, c := range radio.Choices() {
		want, err := radio.NewProfile(c.Settings)
		require.NoError(t, err)
		sets := []string{"radio.profile=" + want.Name()}
		if c.Keys != "" {
			sets = append(sets, "radio."+c.Keys)
		}
		plan, err := scenarios.Open("orchard", sets)
		require.NoError(t, err, sets)
		require.Equal(t, want, plan.Radio, sets)
	}
}

// What the list counts is what the layout of a scenario sends: 13 records of 8
// bytes need 1, 2 and 7 broadcasts.
func TestRadiosCountRecords(t *testing.T) {
	for records, want := range map[int][3]int{13: {1, 2, 7}, 1: {1, 1, 1}, 22: {1, 3, 11}, 23: {2, 3, 12}} {
		l, err := compareRadios(records, 0)
		require.NoError(t, err)
		for _, r := range l.Rows {
			for i, name := range []string{"action-frame", "802.15.4", "ble-legacy"} {
				if r.Profile == name && r.Keys == "" {
					require.Equal(t, want[i], r.Broadcasts, "%s, %d records", name, records)
				}
			}
		}
	}
}

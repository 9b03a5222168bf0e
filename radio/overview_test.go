package radio

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// What is compared exists, each profile that is a radio comes first with its
// defaults, and none is left out.
func TestChoices(t *testing.T) {
	first := map[string]bool{}
	for _, c := range Choices() {
		p, err := NewProfile(c.Settings)
		require.NoError(t, err, "%+v", c)
		if !first[p.Name()] {
			require.Empty(t, c.Keys, p.Name())
			require.Equal(t, Settings{Name: p.Name()}, c.Settings)
			first[p.Name()] = true
		}
		r := Overview(p, 0)
		require.NotEmpty(t, r.Headline)
		require.Contains(t, r.Headline, "check your local rules")
		require.InDelta(t, r.OwnShare, r.PerSecond*r.Airtime.Seconds(), 1e-9)
		require.LessOrEqual(t, r.OwnShare, 1.0)
	}
	for _, i := range Profiles() {
		require.Equal(t, i.Name != nameIdeal, first[i.Name], i.Name)
	}
}

// Broadcasts a second of a lone sender, as worked out from the standards: action
// frames at 1 Mbit/s with 60 and 250 bytes, at 6 Mbit/s, 802.15.4 with its mean
// access, legacy advertising at its shortest interval, GFSK by data sheet, LoRa
// of 20 bytes at 1 %: 636, 194 and 27 an hour.
func TestOverview(t *testing.T) {
	for _, c := range []struct {
		s         Settings
		payload   int
		perSecond float64
		tolerance float64 // half a unit of the last digit
	}{
		{Settings{}, 60, 726.7, 0.05}, {Settings{}, 250, 345.3, 0.05}, {Settings{Rate: 6_000_000}, 250, 1932, 0.5},
		{Settings{Window: 15}, 60, 822.4, 0.05}, {Settings{Rate: 24_000_000}, 60, 6349, 0.5},
		{Settings{Name: nameLowRate, Addressing: "none"}, 122, 1e6 / (6016 + 128 + 192), 1e-6},
		{Settings{Name: nameLegacy, Interval: 20 * ms}, 31, 40, 1e-9},
		{Settings{Name: nameGFSK}, 32, 2179, 0.5},
		{Settings{Name: nameLoRa}, 20, 636.0 / 3600, 1.0 / 3600}, {Settings{Name: nameLoRa, SpreadingFactor: 9}, 20, 194.0 / 3600, 1.0 / 3600},
		{Settings{Name: nameLoRa, SpreadingFactor: 12}, 20, 27.0 / 3600, 1.0 / 3600},
	} {
		require.InDelta(t, c.perSecond, Overview(profile(t, c.s), c.payload).PerSecond, c.tolerance, "%+v", c)
	}
	require.Equal(t, 31, Overview(profile(t, Settings{Name: nameLegacy}), 100).Payload, "cut to the limit")
}

// Sums of the rules, as quoted from EN 300 328 V1.8.1 (100 mW at 10 %, 10 mW all
// of the time, 50 mW at 20 %, all a medium utilisation of 10 %) and EN 300 220-2
// (1 % is 36 s in an hour, 10 % is 360 s).
func TestRuleSums(t *testing.T) {
	for milliwatt, share := range map[float64]float64{100: 0.1, 10: 1, 50: 0.2} {
		require.InDelta(t, 0.1, MediumUtilisation(milliwatt, share), 1e-12)
		require.InDelta(t, share, UtilisationShare(0.1, milliwatt), 1e-12)
	}
	require.Equal(t, 1.0, UtilisationShare(0.1, 5))
	perHour := map[string]time.Duration{}
	for _, b := range SubBands() {
		perHour[b.Name] = b.PerHour()
	}
	require.Equal(t, map[string]time.Duration{
		"863-865": 3600 * ms, "868.0-868.6": 36 * time.Second, "868.7-869.2": 3600 * ms, "869.4-869.65": 360 * time.Second, "869.7-870.0": 36 * time.Second,
	}, perHour)
}

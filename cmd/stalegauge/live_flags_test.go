package main

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// What the readers of live flags accept lies inside their bounds, whatever the text.
func FuzzLiveFlags(f *testing.F) {
	for _, text := range []string{"from=100/s,to=20000/s,step=10s,until-loss=1%", "4x", "max", "1e309x", "NaNx", "60s", "10 min", "2000/s", "from=,=,", "-1"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if r, errs := rampFlag(text); len(errs) == 0 {
			require.True(t, r.From >= 1 && r.From <= r.To && r.To <= mostRate)
			require.True(t, r.Step >= 100*time.Millisecond && r.Step <= time.Hour)
			require.True(t, r.UntilLoss >= 0 && r.UntilLoss <= 1)
		}
		if v, err := speedFlag(text); err == nil {
			require.True(t, v == 0 && text == "max" || v >= 0.01 && v <= 1000)
			require.False(t, math.IsNaN(v))
		}
		if n, err := rateFlag("x", text, 1, 10); err == nil {
			require.True(t, n >= 1 && n <= 10)
		}
		if d, err := liveDuration("x", text, time.Second, time.Minute); err == nil {
			require.True(t, d >= time.Second && d <= time.Minute)
		}
	})
}

package scenarios

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

func TestUnits(t *testing.T) {
	for _, c := range []struct {
		kind kind
		text string
		want any
	}{
		{duration, "250ms", 250 * time.Millisecond},
		{duration, "1.5s", 1500 * time.Millisecond},
		{duration, "20us", 20 * time.Microsecond},
		{duration, "20µs", 20 * time.Microsecond},
		{duration, "7 ns", 7 * time.Nanosecond},
		{duration, "0.1us", 100 * time.Nanosecond},
		{duration, "2min", 2 * time.Minute},
		{duration, "0.25h", 15 * time.Minute},
		{duration, "-3s", -3 * time.Second},
		{duration, "0", time.Duration(0)},
		{duration, "0.3ms", 300 * time.Microsecond}, // exact although 0.3 is no binary fraction
		{bitRate, "500kbit/s", 500e3},
		{bitRate, "5.5Mbit/s", 5.5e6},
		{bitRate, "9600bit/s", 9600.0},
		{share, "20%", 0.2},
		{share, "0.5 %", 0.005},
		{share, "0", 0.0},
		{rate, "200/s", 200.0},
		{rate, "30/min", 0.5},
		{rate, "36/h", 0.01},
		{drift, "50ppm", 50.0},
		{drift, "-200ppm", -200.0},
		{whole, "12", int64(12)},
		{number, "0.01", 0.01},
		{number, "1e-6", 1e-6},
		{truth, "true", true},
		{ident, "120", bus.ID(0x120)},
		{ident, "1E2", bus.ID(0x1e2)}, // YAML takes it for 100
		{ident, "007", bus.ID(7)},
		{ident, "0x7FF", bus.ID(0x7ff)},
		{ident, "00000120", bus.Extended | 0x120},
		{idents, "200-21F", identRange{0x200, 0x21f}},
		{idents, "200", identRange{0x200, 0x200}},
	} {
		got, wrong := parseScalar(c.kind, nil, c.text)
		require.Nil(t, wrong, c.text)
		require.Equal(t, c.want, got, c.text)
	}
	for _, c := range []struct {
		kind kind
		text string
	}{
		{duration, "250"}, {duration, "250 m"}, {duration, "ms"}, {duration, "1e3ms"}, {duration, "1m30s"}, {duration, ".5s"},
		{duration, "0.5ns"}, {duration, "9999999999999h"}, {duration, "20%"}, {duration, "1,5s"}, {duration, ""},
		{bitRate, "500kbps"}, {bitRate, "500"}, {share, "0.2"}, {share, "20ppm"}, {rate, "200"}, {rate, "200Hz"},
		{drift, "50"}, {whole, "0x10"}, {whole, "1_000"}, {whole, "99999999999999999999"}, {number, "NaN"}, {number, "inf"},
		{number, "1e999"}, {truth, "on"}, {ident, "12"}, {ident, "1200"}, {ident, "800"}, {ident, "20000000"}, {ident, "xyz"},
		{idents, "200-"}, {idents, "200-00000300"}, {idents, "300-200"},
	} {
		got, wrong := parseScalar(c.kind, nil, c.text)
		require.NotNil(t, wrong, "%q became %v", c.text, got)
		require.NotEmpty(t, wrong.found)
		require.NotEmpty(t, wrong.expected)
	}
}

// What the program prints, it reads back as the same value.
func TestFormatRoundTrip(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		d := time.Duration(random.Int64N(1<<random.IntN(60) + 1))
		if random.IntN(2) == 0 {
			d = d / time.Millisecond * time.Millisecond
		}
		got, wrong := parseScalar(duration, nil, formatDuration(d))
		require.Nil(t, wrong, "%d ns became %q", d, formatDuration(d))
		require.Equal(t, d, got)
		for _, k := range []kind{bitRate, share, rate, drift, number} {
			x := float64(random.IntN(1e6)) / 100
			got, wrong := parseScalar(k, nil, formatNumber(k, x))
			require.Nil(t, wrong, formatNumber(k, x))
			require.InEpsilon(t, x+1, got.(float64)+1, 1e-9)
		}
	}
	for want, d := range map[string]time.Duration{
		"0s": 0, "250ms": 250 * time.Millisecond, "1.5s": 1500 * time.Millisecond, "20us": 20 * time.Microsecond,
		"999ns": 999, "1.000000001s": time.Second + 1, "90s": 90 * time.Second, "-2ms": -2 * time.Millisecond,
	} {
		require.Equal(t, want, formatDuration(d))
	}
}

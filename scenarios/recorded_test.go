package scenarios

import (
	"io"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// A capture holds the bus for what its frames take on the wire, stuff bits and
// intermission included (lengths of bus/wire_test.go, an independent coding); a
// logger's note of an error takes no time.
func TestHowLongACaptureHoldsTheBus(t *testing.T) {
	t.Chdir(t.TempDir())
	const log = `(100.000000) can0 123#11223344
(100.010000) can0 254#918FFE0603A60FFF
(100.020000) can0 20000004#0001000000000000
(100.030000) can0 123#R8
(100.040000) can0 123##11122334455667788
(100.050000) can0 123#11223344
`
	const text = "bus: {capture: {file: drive.log, offset: 0s}, data_bitrate: 2Mbit/s, messages: {Drive: {id: 123, signals: {speed: {start: 0, bits: 8}}}}}\n" +
		"bridge: {forward: [123]}\nreceivers: {dial: {shows: {speed: 1s}}}\n"
	require.NoError(t, os.WriteFile("drive.log", []byte(log), 0o600))
	require.NoError(t, os.WriteFile("mine.yaml", []byte(text), 0o600))
	plan := open(t, "mine.yaml")
	source, err := plan.Bus.Source(Streams{Seed: plan.Seed}, nil, nil)
	require.NoError(t, err)
	defer source.(io.Closer).Close()

	busy := source.(interface{ Busy() time.Duration })
	require.Zero(t, busy.Busy())
	want := time.Duration(0)
	for _, took := range []time.Duration{80 * 2000, 119 * 2000, 0, 48 * 2000, 107_000, 80 * 2000} {
		var f bus.Frame
		require.True(t, source.Next(&f))
		want += took
		require.Equal(t, want, busy.Busy(), "after the frame at %v", f.At)
	}
}

package capture

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"fmt"
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Every shape may be compressed; data that end too early are used up to the last
// whole line or packet.
func TestCompressed(t *testing.T) {
	text := ""
	for i := range 500 {
		text += line(time.Duration(i)*ms, fmt.Sprintf("123#%08X", i*7919))
	}
	for _, plain := range []string{text, string(newNG(binary.BigEndian).face(227).packet(0, 5, classic).packet(0, 6000, classic).out)} {
		want, report := read(t, plain, Options{})
		require.Zero(t, report.Compressed)
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		_, err := io.WriteString(z, plain)
		require.NoError(t, err)
		require.NoError(t, z.Close())
		got, report := read(t, b.String(), Options{})
		require.Equal(t, want, got)
		require.EqualValues(t, 1, report.Compressed)
		for cut := 1; cut < min(b.Len()-20, 300); cut += 13 {
			r, err := NewReader("test", bytes.NewReader(b.Bytes()[:b.Len()-cut]), Options{})
			if err != nil {
				continue // of the small one nothing may be left
			}
			got := all(r)
			require.Equal(t, append([]string(nil), want[:len(got)]...), got, "%d bytes cut off", cut)
			if r.Err() == nil {
				require.EqualValues(t, 1, r.Report().Truncated)
			}
		}
		broken := bytes.Clone(b.Bytes())
		broken[len(broken)-6] ^= 1
		r, err := NewReader("test", bytes.NewReader(broken), Options{})
		if err == nil {
			all(r)
			err = r.Err()
		}
		require.ErrorContains(t, err, "gzip: invalid checksum")
	}
}

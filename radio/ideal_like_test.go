package radio

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// A radio like another one without its medium has its air times and its limit.
func TestIdealLike(t *testing.T) {
	for _, info := range Profiles() {
		p, err := NewProfile(Settings{Name: info.Name})
		require.NoError(t, err)
		like := IdealLike(p)
		require.Equal(t, p.MaxPayload(), like.MaxPayload(), info.Name)
		for n := 0; n <= p.MaxPayload(); n += 7 {
			require.Equal(t, p.Airtime(n), like.Airtime(n), "%s %d", info.Name, n)
		}
		require.Panics(t, func() { like.Airtime(p.MaxPayload() + 1) })
		preamble, rate := p.Signal()
		gotPreamble, gotRate := like.Signal()
		require.Equal(t, preamble, gotPreamble)
		require.Equal(t, rate, gotRate)
		require.Equal(t, nameIdeal, like.Name())
	}
}

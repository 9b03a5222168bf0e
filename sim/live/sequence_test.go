package live

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// Each case is what arrives and what is to be counted.
func TestSequenceNumbers(t *testing.T) {
	for _, x := range []struct {
		name    string
		numbers []uint16
		want    Losses
	}{
		{"nothing", nil, Losses{}},
		{"in order over the wrap", []uint16{65534, 65535, 0, 1}, Losses{Heard: 4}},
		{"a gap of two", []uint16{5, 8}, Losses{Heard: 2, Missing: 2, Runs: [RunLengths]uint64{1: 1}, Longest: 2}},
		{"a gap over the wrap", []uint16{65535, 1}, Losses{Heard: 2, Missing: 1, Runs: [RunLengths]uint64{0: 1}, Longest: 1}},
		{"a swap", []uint16{1, 3, 2, 4}, Losses{Heard: 4, Reordered: 1}},
		{"copies", []uint16{1, 1, 2, 2, 1}, Losses{Heard: 2, Duplicates: 3}},
		{"before the first", []uint16{7, 6}, Losses{Heard: 1, Duplicates: 1}},
		{"a long gap", []uint16{0, 1001}, Losses{Heard: 2, Missing: 1000, Runs: [RunLengths]uint64{RunLengths - 1: 1}, Longest: 1000}},
		{"a gap longer than the window", []uint16{0, 20000}, Losses{Heard: 2, Missing: 19999, Runs: [RunLengths]uint64{RunLengths - 1: 1}, Longest: 19999}},
	} {
		t.Run(x.name, func(t *testing.T) {
			var s sequence
			for _, n := range x.numbers {
				s.add(n)
			}
			require.Equal(t, x.want, s.losses())
		})
	}
}

// Against a list of what was sent, lost, copied and swapped: all counts are exact.
func TestSequenceAgainstAList(t *testing.T) {
	dice := rand.New(rand.NewPCG(1, 2))
	var s sequence
	var want Losses
	run := uint64(0)
	const sent = 300_000
	for n := 1; n <= sent; n++ {
		lost := n > 1 && n < sent && dice.Float64() < 0.2
		if lost {
			want.Missing++
			run++
			continue
		}
		if run > 0 {
			want.Runs[min(run, RunLengths)-1]++
			want.Longest = max(want.Longest, run)
			run = 0
		}
		want.Heard++
		s.add(uint16(n))
		if dice.Float64() < 0.1 {
			want.Duplicates++
			s.add(uint16(n))
		}
	}
	require.Equal(t, want, s.losses())
}

// What was heard and what is missing is always all there was, whatever comes.
func FuzzSequence(f *testing.F) {
	f.Add([]byte{0, 1, 0, 2, 255, 255, 0, 0, 128, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		var s sequence
		var took uint64
		for i := 0; i+1 < len(data); i += 2 {
			n := uint16(data[i])<<8 | uint16(data[i+1])
			if s.some && s.ahead(n) <= -window {
				s.restart()
			}
			s.add(n)
			took++
			l := s.losses()
			require.Equal(t, took, l.Heard+l.Duplicates)
			require.LessOrEqual(t, l.Reordered, l.Heard)
			require.LessOrEqual(t, l.RunCount(), l.Missing)
		}
	})
}

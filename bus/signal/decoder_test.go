package signal

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// walkPresent is the rule of presence, bit by bit and without tables.
func walkPresent(m *Message, i int, data []byte) bool {
	s := &m.Signals[i]
	if s.Absent {
		return false
	}
	if _, ok := walkRaw(&s.Definition, data); !ok {
		return false
	}
	if s.Parent == NoParent {
		return true
	}
	if !walkPresent(m, s.Parent, data) {
		return false
	}
	raw, _ := walkRaw(&m.Signals[s.Parent].Definition, data)
	for _, v := range s.Values {
		if raw >= v.Low && raw <= v.High {
			return true
		}
	}
	return false
}

// checkDecoder holds the decoder against the walk bit by bit.
func checkDecoder(t *testing.T, m *Message, d *Decoder, data []byte) {
	t.Helper()
	found := map[int]Decoded{}
	for _, x := range d.Append(nil, data) {
		if _, twice := found[x.Signal]; twice {
			t.Fatalf("%s: signal %d twice", m.Name, x.Signal)
		}
		found[x.Signal] = x
	}
	for i := range m.Signals {
		s := &m.Signals[i]
		want := walkPresent(m, i, data)
		x, there := found[i]
		if there != want || m.Present(i, data) != want {
			t.Fatalf("%s.%s in % X: %v and %v, expected %v", m.Name, s.Name, data, there, m.Present(i, data), want)
		}
		if !want {
			continue
		}
		raw, _ := walkRaw(&s.Definition, data)
		value := s.Value(raw)
		if x.Raw != raw || math.Float64bits(x.Value) != math.Float64bits(value) || x.Outside != s.Outside(value) {
			t.Fatalf("%s.%s in % X: %+v, expected %X %v", m.Name, s.Name, data, x, raw, value)
		}
	}
}

func TestDecoderEqualsWalk(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	db, mistakes := ParseDatabase("f", []byte(randomDatabase(random, 200)))
	for _, m := range mistakes {
		require.Equal(t, Warning, m.Severity, m.Error())
	}
	var data [64]byte
	for i := range db.Messages {
		m := &db.Messages[i]
		d := NewDecoder(m)
		for range 50 {
			for j := range data {
				data[j] = byte(random.Uint32())
			}
			payload := data[:random.IntN(m.Length+1)]
			if len(payload) == m.Length {
				likelyBranch(m, payload, random)
			}
			checkDecoder(t, m, d, payload)
		}
	}
}

// Laws: the decoder of every message of every text equals the walk bit by bit on
// data of every length.
func FuzzDecoder(f *testing.F) {
	for _, text := range databaseSeeds(f) {
		f.Add(text, []byte{3, 1, 2, 3, 4, 5, 6, 7})
	}
	f.Fuzz(func(t *testing.T, text, data []byte) {
		data = data[:min(len(data), 64)]
		db, _ := ParseDatabase("f", text)
		for i := range db.Messages {
			checkDecoder(t, &db.Messages[i], NewDecoder(&db.Messages[i]), data)
		}
	})
}

func TestDecoderDoesNotAllocate(t *testing.T) {
	m := pagedMessage(t)
	d := NewDecoder(m)
	room := make([]Decoded, 0, len(m.Signals))
	data := []byte{17, 1, 2, 3, 4, 5, 6, 7}
	require.Zero(t, testing.AllocsPerRun(100, func() { room = d.Append(room[:0], data) }))
	require.Len(t, room, 5)
}

// pagedMessage has 64 pages of 4 signals.
func pagedMessage(t testing.TB) *Message {
	t.Helper()
	var text strings.Builder
	text.WriteString("BO_ 1 Pages: 8 X\n SG_ Page M : 0|8@1+ (1,0) [0|0] \"\" X\n")
	for page := range 64 {
		for i := range 4 {
			fmt.Fprintf(&text, " SG_ Value%d_%d m%d : %d|12@1- (0.1,-40) [0|0] \"u\" X\n", page, i, page, 8+12*i)
		}
	}
	db, mistakes := ParseDatabase("f", []byte(text.String()))
	require.Empty(t, mistakes)
	return &db.Messages[0]
}

func BenchmarkDecoder(b *testing.B) {
	m := pagedMessage(b)
	d := NewDecoder(m)
	room := make([]Decoded, 0, len(m.Signals))
	data := []byte{17, 1, 2, 3, 4, 5, 6, 7}
	b.ReportAllocs()
	for b.Loop() {
		room = d.Append(room[:0], data)
	}
}

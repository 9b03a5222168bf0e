package traffic

import (
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

const ms = time.Millisecond

// long reports whether the full counts are asked for.
func long() bool { return os.Getenv("STALEGAUGE_LONG") == "1" }

// size returns the short or the full size of a check.
func size(short, full int) int {
	if long() {
		return full
	}
	return short
}

// streams returns a source of random streams that follow from a seed.
func streams(seed uint64) func(string, int) *rand.Rand {
	return func(purpose string, index int) *rand.Rand {
		h := fnv.New64a()
		fmt.Fprint(h, purpose, index)
		return rand.New(rand.NewPCG(seed, h.Sum64()))
	}
}

// mix is how many messages there are of each period.
type mix []struct {
	period time.Duration
	count  int
}

// The mixes of a quiet, an ordinary and a busy bus at 500 kbit/s.
var (
	quiet    = mix{{10 * ms, 3}, {20 * ms, 5}, {50 * ms, 4}, {100 * ms, 18}, {200 * ms, 6}, {500 * ms, 6}, {1000 * ms, 16}, {5000 * ms, 2}}
	ordinary = mix{{10 * ms, 8}, {20 * ms, 12}, {50 * ms, 8}, {100 * ms, 30}, {200 * ms, 8}, {500 * ms, 8}, {1000 * ms, 18}, {5000 * ms, 4}}
	busy     = mix{{10 * ms, 14}, {20 * ms, 18}, {50 * ms, 12}, {100 * ms, 42}, {200 * ms, 14}, {500 * ms, 14}, {1000 * ms, 30}, {5000 * ms, 6}}
)

// messages returns 8-byte messages, the quicker ones with lower identifiers.
func (m mix) messages() []Message {
	var out []Message
	for _, group := range m {
		for range group.count {
			n := len(out)
			out = append(out, Message{
				Name: fmt.Sprint("message ", n), ID: bus.ID(0x100 + 9*n), Length: 8, Period: group.period,
				Jitter: group.period / 50, Drift: float64(n%9) * 25,
			})
		}
	}
	return out
}

// lively gives messages a counter, a checksum and two fields that move, so that
// no two of their frames are alike.
func lively(messages []Message) []Message {
	for i := range messages {
		messages[i].Fields = []Field{
			{unsigned("counter", 0, 8), Value{Kind: Counter}},
			{unsigned("sum", 8, 8), Value{Kind: Checksum}},
			{unsigned("ramp", 16, 12), Value{Kind: Ramp, High: 4000, Every: 7 * time.Second}},
			{unsigned("walk", 32, 16), Value{Kind: RandomWalk, High: 60000, Step: 500}},
		}
	}
	return messages
}

// unsigned returns a little-endian signal without scaling on every page.
func unsigned(name string, start, bits int) signal.Definition {
	return signal.Definition{Name: name, Start: start, Bits: bits, Scale: 1, Page: signal.AnyPage}
}

// set returns the traffic of a configuration, which lacks at most the streams
// and the bit rate.
func set(t testing.TB, c Config) *Set {
	t.Helper()
	if c.Stream == nil {
		c.Stream = streams(1)
	}
	if c.BitRate == 0 {
		c.BitRate = 500_000
	}
	s, err := New(c)
	require.NoError(t, err)
	return s
}

// frames returns the frames received up to an instant.
func frames(s *Set, until time.Duration) []bus.Frame {
	var out []bus.Frame
	var f bus.Frame
	for s.Next(&f) && f.At <= until {
		clear(f.Data[f.Length:])
		out = append(out, f)
	}
	return out
}

// selector returns a little-endian page selector.
func selector(start, bits int) *signal.Selector { return &signal.Selector{Start: start, Bits: bits} }

package bridge

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/fate"
)

const (
	us = time.Microsecond
	ms = time.Millisecond
)

// plain is a bridge in which nothing costs time and nothing is lost: two
// identifiers, one broadcast in flight, room for everything.
func plain() Config {
	return Config{
		QueueDepth: 1000,
		Forward:    []Forward{{ID: 0x100, Length: 8}, {ID: 0x200, Length: 8}},
		Layout:     Layout{Version: 1, Set: 7},
		SendQueue:  SendQueue{Depth: 1000},
		MaxPayload: 250,
	}
}

func with(change func(c *Config)) Config {
	c := plain()
	change(&c)
	return c
}

// frame is a data frame of 8 bytes, released when it is received.
func frame(at time.Duration, id bus.ID) bus.Frame {
	return bus.Frame{At: at, Released: at, ID: id, Length: 8, Message: -1}
}

// handed is a broadcast as the medium got it.
type handedOver struct {
	at        time.Duration
	sequence  uint16
	copy      int
	records   []Record
	broadcast *Broadcast
}

// passing is one call of the watcher.
type passing struct {
	stage       fate.Stage
	slot, page  int
	validAt, at time.Duration
	call        time.Duration
}

// rig drives a bridge as the rules say and notes what comes out. Every broadcast
// takes the medium for air; outcome, if set, says how its n-th one ends.
type rig struct {
	t       testing.TB
	bridge  *Bridge
	air     time.Duration
	outcome func(n int) (ok, confirmed bool)

	now     time.Duration
	onAir   []handedOver
	out     []handedOver
	passed  []passing
	keep    bool // hold broadcasts until the end and check that they do not change
	written [][]byte
}

func newRig(t testing.TB, c Config) *rig {
	r := &rig{t: t}
	watch := c.Watch
	c.Watch = func(stage fate.Stage, record *Record, at time.Duration) {
		r.passed = append(r.passed, passing{stage, record.Slot, record.Page, record.ValidAt, at, r.now})
		if watch != nil {
			watch(stage, record, at)
		}
	}
	b, err := New(c)
	require.NoError(t, err)
	r.bridge = b
	return r
}

// run offers the frames and lets the bridge work until end.
func (r *rig) run(end time.Duration, frames ...bus.Frame) *rig {
	for idle := 0; ; idle++ {
		require.Less(r.t, idle, 1_000_000, "the bridge does not come to rest")
		at := end
		due, waits := r.bridge.Due()
		if waits && due < at {
			at = due
		}
		landing := len(r.onAir) > 0 && r.onAir[0].at+r.air <= at
		if landing {
			at = r.onAir[0].at + r.air
		}
		if len(frames) > 0 && frames[0].At <= at {
			r.now = frames[0].At
			f := frames[0]
			r.bridge.Offer(f.At, &f)
			frames = frames[1:]
			continue
		}
		r.now = at
		switch {
		case landing:
			r.land()
		case waits && due <= end:
			require.Equal(r.t, at, due)
			r.take()
		default:
			return r
		}
	}
}

func (r *rig) take() {
	b, ok := r.bridge.Take(r.now)
	if !ok {
		due, waits := r.bridge.Due()
		require.True(r.t, !waits || due > r.now, "Due stays at %v after an empty Take", r.now)
		return
	}
	require.LessOrEqual(r.t, b.Size, r.bridge.cfg.MaxPayload)
	bytes := r.bridge.Codec().Encode(nil, b)
	require.Len(r.t, bytes, b.Size, "the size that was charged is the size that is sent")
	if b.Copy > 0 {
		first := slices.IndexFunc(r.out, func(h handedOver) bool { return h.sequence == b.Sequence && h.copy == 0 })
		if r.keep && first >= 0 {
			require.Equal(r.t, r.written[first], bytes, "a copy has the bytes of the first")
		}
	}
	r.written = append(r.written, bytes)
	h := handedOver{r.now, b.Sequence, b.Copy, slices.Clone(b.Records), b}
	r.out = append(r.out, h)
	r.onAir = append(r.onAir, h)
	if r.keep {
		b.Retain(1)
	}
}

func (r *rig) land() {
	h := r.onAir[0]
	r.onAir = r.onAir[1:]
	ok, confirmed := true, true
	if r.outcome != nil {
		ok, confirmed = r.outcome(len(r.out) - len(r.onAir) - 1)
	}
	if confirmed {
		r.bridge.Sent(r.now, h.broadcast, ok)
	}
	h.broadcast.Release()
}

// close ends the run and checks the books.
func (r *rig) close(end time.Duration) map[string]uint64 {
	r.now = end
	r.bridge.Close(end)
	if r.keep {
		for i, h := range r.out {
			require.Equal(r.t, r.written[i], r.bridge.Codec().Encode(nil, h.broadcast), "a held broadcast does not change")
			h.broadcast.Release()
		}
	}
	return books(r.t, r.bridge)
}

// books returns the fates that are not 0 and checks that they sum to the frames.
func books(t testing.TB, b *Bridge) map[string]uint64 {
	found := map[string]uint64{}
	var sum uint64
	for f, n := range b.Fates() {
		sum += n
		if n > 0 {
			found[fate.Frame(f).String()] = n
		}
	}
	require.Equal(t, b.Frames(), sum, "fates %v", found)
	return found
}

// sent lists what was handed over: instant in ms, a star for each copy after
// the first, and the valid-times of the records in ms with their slot.
func (r *rig) sent() string {
	var lines []string
	for _, h := range r.out {
		line := fmt.Sprintf("%g%s:", inMs(h.at), strings.Repeat("*", h.copy))
		for _, rec := range h.records {
			line += fmt.Sprintf(" %c%g", 'a'+rec.Slot, inMs(rec.ValidAt))
		}
		lines = append(lines, line)
	}
	return strings.Join(lines, "\n")
}

// stages lists the passings of one slot: stage, valid-time and instant in ms.
func (r *rig) stages(slot int) string {
	var lines []string
	for _, p := range r.passed {
		if p.slot == slot {
			lines = append(lines, fmt.Sprintf("%s %g @%g", p.stage, inMs(p.validAt), inMs(p.at)))
		}
	}
	return strings.Join(lines, "\n")
}

func inMs(d time.Duration) float64 { return float64(d) / 1e6 }

// text removes the indent of a literal.
func text(s string) string {
	var lines []string
	for line := range strings.Lines(s) {
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines, "\n")
}

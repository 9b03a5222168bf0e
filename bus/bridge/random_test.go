package bridge

import (
	"fmt"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/fate"
	"stalegauge/bus/signal"
)

// pick returns one of the choices.
func pick[T any](r *rand.Rand, choices ...T) T { return choices[r.IntN(len(choices))] }

// randomCase returns a configuration with every part drawn, and half a second of
// traffic for it.
func randomCase(seed uint64) (Config, []bus.Frame) {
	r := rand.New(rand.NewPCG(seed, 1))
	c := Config{
		Controller:  pick(r, Controller{}, Controller{Frames: 1 + r.IntN(5)}, Controller{Bytes: 13 + r.IntN(60)}),
		Pickup:      Pickup{Latency: pick(r, 0, 10*us, ms), Tick: pick(r, 0, 0, ms, 7*ms), Phase: pick(r, 0, 300*us), Cost: pick(r, 0, 20*us, 600*us)},
		QueueDepth:  pick(r, 1, 2, 5, 1000),
		Policy:      randomPolicy(r),
		Repeat:      Repeat{Copies: pick(r, 0, 1, 2, 3), Spacing: pick(r, 0, ms, 9*ms)},
		Layout:      Layout{Kind: LayoutKind(r.IntN(3)), SendTime: r.IntN(2) == 0, RecordAges: r.IntN(2) == 0, Tag: pick(r, 0, 0, 4, 8), Version: 1, Set: 9},
		SendQueue:   SendQueue{Depth: pick(r, 1, 2, 5, 1000), Full: FullRule(r.IntN(3))},
		Pace:        Pace{Gap: pick(r, 0, 0, ms, 4*ms), InRadio: r.IntN(4)},
		SendTimeout: pick(r, 0, 2*ms, 30*ms),
		DropOlder:   pick(r, 0, 0, 0, 20*ms),
		MaxPayload:  pick(r, 42, 60, 250),
		Airtime:     func(n int) time.Duration { return 100*us + time.Duration(n)*8*us },
		Stream:      func(_ string, index int) *rand.Rand { return rand.New(rand.NewPCG(seed, uint64(index))) },
	}
	c.Controller.Overrun = Overrun(r.IntN(3))
	if r.IntN(2) == 0 {
		c.Stalls = []Span{{100 * ms, 110 * ms}, {5 * ms, 9 * ms}, {8 * ms, 12 * ms}}
		c.Random = RandomStalls{Every: pick(r, 0, 20*ms), Length: 3 * ms}
	}
	if r.IntN(2) == 0 {
		c.Limit = RateLimit{
			Broadcasts: pick(r, 0, 50, 1000./3), Bytes: pick(r, 0, 2500, 20000.), AirShare: pick(r, 0, 0.02, 0.3),
			Burst: pick(r, 0, 200*ms), Drop: r.IntN(2) == 0,
		}
	}
	for range pick(r, 0, 0, 1, 3) {
		c.Policies = append(c.Policies, randomPolicy(r))
	}
	classes := pick(r, 1, 1, 3)
	for i := range 1 + r.IntN(6) {
		f := Forward{ID: bus.ID(0x100 + i), Divide: pick(r, 0, 1, 3), MinGap: pick(r, 0, 0, 7*ms), Length: 8}
		if r.IntN(3) == 0 {
			f.ID = bus.Extended | bus.ID(0x18FEF100+i)
		}
		if r.IntN(3) == 0 {
			f.Selector = &signal.Selector{Start: 3, Bits: 2}
		}
		f.Policy, f.Class, f.Every = r.IntN(1+len(c.Policies)), r.IntN(classes), pick(r, 0, 1, 3)
		randomWants(r, &f)
		c.Forward = append(c.Forward, f)
	}
	return c, randomTraffic(r, c.Forward)
}

func randomPolicy(r *rand.Rand) Policy {
	p := Policy{
		Kind: PolicyKind(r.IntN(int(policyKinds))), Hold: pick(r, 0, ms, 20*ms), MaxRecords: pick(r, 0, 1, 3),
		Every: pick(r, ms, 8*ms, 50*ms), Phase: pick(r, 0, 3*ms), OnlyNew: r.IntN(2) == 0,
		ByLimits: r.IntN(2) == 0, Rotate: r.IntN(2) == 0, Latch: r.IntN(2) == 0,
		MinGap: pick(r, 0, ms, 7*ms), Heartbeat: pick(r, 0, 7*ms, 40*ms),
		Slack: DefaultSlack(pick(r, 0.02, 0.1, 0.5)),
	}
	p.Slack.Power, p.Slack.Simple = pick(r, 1, 2.5, 3, 4), r.IntN(2) == 0
	return p
}

// randomWants draws what the displays want of an entry.
func randomWants(r *rand.Rand, f *Forward) {
	f.Need = Need{Period: 10 * ms, State: r.IntN(3) == 0}
	for range r.IntN(3) {
		f.Need.Views = append(f.Need.Views, View{pick(r, 0, 50*ms, 300*ms), pick(r, 0, 20*ms, 130*ms)})
	}
	switch r.IntN(3) {
	case 0:
		f.Watched.Mask = []byte{0, 0xF0, 3}
	case 1:
		speed := signal.Definition{Name: "speed", Start: 12, Bits: 10, Scale: 0.5, Page: pick(r, signal.AnyPage, 1)}
		f.Watched.Bands = []Band{{speed, pick(r, 0, 40.)}}
	}
	page := signal.AnyPage
	if f.Selector != nil {
		page = pick(r, page, 2)
	}
	for range r.IntN(4) {
		f.Fields = append(f.Fields, Field{8 * r.IntN(4), 1 + r.IntN(30), false, page})
	}
}

func randomTraffic(r *rand.Rand, list []Forward) (frames []bus.Frame) {
	for at := time.Duration(0); at < 500*ms; at += pick(r, 200*us, 250*us, ms, time.Duration(r.IntN(5e6))) {
		f := frame(at, pick(r, list...).ID)
		f.Released -= min(at, time.Duration(r.IntN(3e5)))
		switch r.IntN(12) {
		case 0, 1, 2, 3:
			f.ID = 0x7F0
		case 4:
			f.Kind = bus.Remote
		case 5:
			f.Length = uint8(r.IntN(9))
		}
		for i := range f.Data[:8] {
			f.Data[i] = byte(r.Uint32())
		}
		frames = append(frames, f)
	}
	return frames
}

// cases is how many random bridges the laws are tried on.
func cases() uint64 {
	if os.Getenv("STALEGAUGE_LONG") == "1" {
		return 2_000
	}
	return 200
}

// runRandom runs one random case; some broadcasts fail and some are never
// confirmed.
func runRandom(t testing.TB, seed uint64, every time.Duration) *rig {
	c, frames := randomCase(seed)
	r := newRig(t, c)
	r.keep = seed%2 == 0
	chance := rand.New(rand.NewPCG(seed, 2))
	r.air = pick(chance, 0, 500*us, 3*ms)
	trouble := chance.IntN(3) == 0
	r.outcome = func(int) (ok, confirmed bool) {
		return !trouble || chance.IntN(4) > 0, !trouble || c.SendTimeout == 0 || chance.IntN(4) > 0
	}
	for at := every; at < 550*ms; at += every {
		n := 0
		for n < len(frames) && frames[n].At <= at {
			n++
		}
		r.run(at, frames[:n]...)
		frames = frames[n:]
		books(t, r.bridge)
	}
	r.run(550*ms, frames...)
	return r
}

func TestFatesAlwaysSumToTheFrames(t *testing.T) {
	met := map[string]uint64{}
	for seed := range cases() {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			r := runRandom(t, seed, 50*ms)
			for word, n := range r.close(550 * ms) {
				met[word] += n
			}
		})
	}
	for _, word := range []fate.Frame{
		fate.FrameOverrun, fate.FrameBusQueueFull, fate.FrameNotListed, fate.FrameDivided, fate.FrameReplaced, fate.FrameRateLimited,
		fate.FrameSendQueueFull, fate.FrameAccessFailed, fate.FrameSendTimeout, fate.FrameBadLength, fate.FrameExpired, fate.FrameInsideAtEnd, fate.FrameSent,
	} {
		require.NotZero(t, met[word.String()], "no frame of the random cases met %s", word)
	}
}

// A value is sent exactly if a broadcast with it was on the air, in the books as
// on the medium: counted by the valid-times and data of the records.
func TestSentMeansOnTheAir(t *testing.T) {
	type id struct {
		slot    int
		validAt time.Duration
	}
	for seed := range cases() {
		c, frames := randomCase(seed)
		for i := range frames { // one frame, one valid-time
			frames[i].Released = frames[i].At
		}
		chance := rand.New(rand.NewPCG(seed, 3))
		r := newRig(t, c)
		r.air = 800 * us
		onAir := map[id]bool{}
		r.outcome = func(n int) (ok, confirmed bool) {
			ok = chance.IntN(5) > 0
			if ok {
				for _, rec := range r.out[n].records {
					onAir[id{rec.Slot, rec.ValidAt}] = true
				}
			}
			return ok, true // perhaps after the timeout: that still counts
		}
		r.run(time.Second, frames...)
		require.Equal(t, uint64(len(onAir)), r.close(time.Second)["sent"], "seed %d", seed)
	}
}

// No stage is passed earlier than the one before it, for every value, and no
// stage goes back: so no term of a split of the age can be negative.
func TestStagesArePassedInOrder(t *testing.T) {
	type track struct{ slot, page int }
	type mark struct {
		track
		stage fate.Stage
	}
	for seed := range cases() {
		r := runRandom(t, seed, time.Second)
		r.close(550 * ms)
		last := map[mark]time.Duration{}
		newest := map[mark]time.Duration{}
		for _, p := range r.passed {
			m := mark{track{p.slot, p.page}, p.stage}
			if p.at < last[m] {
				t.Fatalf("seed %d: %v goes back", seed, p)
			}
			if p.at < p.call {
				t.Fatalf("seed %d: %v is told late", seed, p)
			}
			last[m] = p.at
			newest[m] = max(newest[m], p.validAt)
			before := mark{m.track, p.stage - 1}
			if p.stage > fate.StagePickup && (newest[before] < p.validAt || last[before] > p.at) {
				t.Fatalf("seed %d: %v before its %v", seed, p, p.stage-1)
			}
		}
		require.NotEmpty(t, r.passed)
	}
}

func TestSameInputSameOutput(t *testing.T) {
	for seed := range uint64(20) {
		x, y := runRandom(t, seed, 50*ms), runRandom(t, seed, 7*ms)
		require.Equal(t, x.written, y.written)
		require.Equal(t, x.passed, y.passed)
		require.Equal(t, x.close(550*ms), y.close(550*ms))
		require.Equal(t, x.bridge.Stages(), y.bridge.Stages())
	}
}

// Frames that pass by leave everything as if they had gone through the stages.
func TestPassingByChangesNothing(t *testing.T) {
	for seed := range cases() {
		c, frames := randomCase(seed)
		c.Controller.Overrun, c.Pickup.Tick = DropNew, 0
		x, y := newRig(t, c), newRig(t, c)
		require.True(t, x.bridge.direct)
		y.bridge.direct = false
		end := time.Duration(200+seed) * ms
		for len(frames) > 0 && frames[len(frames)-1].At > end {
			frames = frames[:len(frames)-1]
		}
		x.run(end, frames...)
		y.run(end, frames...)
		require.Equal(t, x.close(end), y.close(end))
		require.Equal(t, x.written, y.written)
		require.Equal(t, x.passed, y.passed)
		require.Equal(t, x.bridge.Stages(), y.bridge.Stages())
	}
}

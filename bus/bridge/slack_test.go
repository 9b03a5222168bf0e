package bridge

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"sort"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/fate"
)

// A record that costs nothing itself in a broadcast that costs 0.1, linear in the
// age, half of the broadcasts believed lost and independent of each other from
// 0.5 ms on. Before the first sending the display is taken to hold a value of
// -100 ms. Gains, by hand:
//
//	 4: .5 .04 + .25 (1.04 - .04) = .27      sent; lost before: (0 - 100) / 2 = -50
//	 5: tick      .25 (.55 - .01) = .135     sent; (4 - 50) / 2 = -23
//	 8: .5 .04 + .25 (.31 - .04) = .0875
//	10: .5 .04 + .25 (.33 - .06) = .0875     the value of 8 ms at the tick
//	12: .5 .08 + .25 (.35 - .08) = .1075     sent; (4 - 23) / 2 = -9.5
//	16: .5 .04 + .25 (.255 - .04) = .07375
//	20: .5 .08 + .25 (.295 - .08) = .09375
//	24: .5 .12 + .25 (.335 - .12) = .11375   sent
func TestInstantsOfSlackByHand(t *testing.T) {
	c := with(func(c *Config) {
		c.Forward[0].Need.Views = []View{{Limit: 100 * ms}}
		c.Forward = c.Forward[:1]
		c.Policy = Policy{Kind: Slack, Slack: SlackRule{Share: 0.5, Power: 1, Loss: 0.5, Burst: us, Tick: 5 * ms, Price: 0.1}}
		c.Airtime = func(int) time.Duration { return ms }
	})
	var frames []bus.Frame
	for at := time.Duration(0); at <= 24*ms; at += 4 * ms {
		frames = append(frames, frame(at, a))
	}
	r := newRig(t, c).run(24*ms, frames...)
	require.Equal(t, "0: a0\n4: a4\n5: a4\n12: a12\n24: a24", r.sent())
	require.Equal(t, map[string]uint64{"sent": 4, "replaced": 3}, r.close(24*ms))
}

// A bridge that begins to work late begins with the price that it was given, whatever
// the time before.
func TestThePriceOfALateStart(t *testing.T) {
	c := with(func(c *Config) {
		c.Forward = c.Forward[:1]
		c.Forward[0].Need.Period = 10 * ms
		c.Policy = Policy{Kind: Slack, Phase: time.Minute + 3*ms, Slack: DefaultSlack(0.1)}
		c.Airtime = func(int) time.Duration { return ms }
	})
	r := newRig(t, c).run(time.Minute+3*ms, frame(time.Minute, a))
	require.Equal(t, c.Policy.Slack.Price, r.bridge.streams[0].price.perMillisecond)
}

// plainSlack is the rule written down as it is stated, without tables, early
// exits or shared work.
type plainSlack struct {
	c       *Config
	codec   *Codec
	price   float64
	records []*plainRecord // by slot
}

type plainRecord struct {
	known, sent, changed       bool
	v, c, ts, vs, f, m, newest float64 // ms
	said                       []byte
	frame                      bus.Frame
}

func (p *plainSlack) late(slot int, age float64) float64 {
	need, rule := p.c.Forward[slot].Need, p.c.Policy.Slack
	most := 0.0
	for _, v := range need.Views {
		limit, display := inMs(v.Limit), inMs(v.Display)
		h := rule.Margin * display
		most = max(most, (age+h)/max(limit-display+h, inMs(rule.Tick)))
	}
	return math.Pow(most, rule.Power)
}

func (p *plainSlack) stay(d float64) float64 {
	rule := p.c.Policy.Slack
	return rule.Loss + (1-rule.Loss)*math.Exp(-math.Floor(d+0.5)/inMs(rule.Burst))
}

func (p *plainSlack) tightest(slot int) float64 {
	least := math.Inf(1)
	for _, v := range p.c.Forward[slot].Need.Views {
		least = min(least, inMs(v.Limit))
	}
	return least
}

// decide returns the slots that are sent at now, in ms, in their order.
func (p *plainSlack) decide(now float64) (take []int) {
	rule := p.c.Policy.Slack
	header := p.codec.HeaderSize()
	air := func(n int) float64 { return inMs(p.c.Airtime(n)) }
	empty := air(header)
	perByte := (air(p.c.MaxPayload) - empty) / float64(p.c.MaxPayload-header)
	gains := map[int]float64{}
	for slot, r := range p.records {
		if !r.known {
			continue
		}
		s := p.stay(now - r.ts)
		var gain float64
		switch state := p.c.Forward[slot].Need.State; {
		case !r.sent || state && r.changed:
			gain = math.Inf(1)
		case state && !rule.Simple:
			gain = max(r.m*(1-s)*p.late(slot, now-r.c), 0.02*math.Pow((now-r.ts)/(10*p.tightest(slot)), rule.Power))
		default:
			gain = (1-rule.Loss)*(p.late(slot, now-r.vs)-p.late(slot, now-r.v)) + rule.Loss*(1-s)*(p.late(slot, now-r.f)-p.late(slot, now-r.vs))
		}
		if cost := p.price * perByte * float64(p.codec.RecordSize(slot, 8)); gain > cost {
			gains[slot] = gain - cost
			take = append(take, slot)
		}
	}
	sort.SliceStable(take, func(i, j int) bool { return gains[take[i]] > gains[take[j]] })
	sum := 0.0
	for _, slot := range take {
		sum += gains[slot]
	}
	if len(take) == 0 || sum < p.price*empty {
		return nil
	}
	for _, slot := range take {
		r := p.records[slot]
		s := p.stay(now - r.ts)
		if !r.sent {
			r.vs, r.f = r.v, r.v-p.tightest(slot)
		} else {
			r.f = (1-s)*r.vs + s*r.f
		}
		if !r.sent || r.changed {
			r.m = rule.Loss
		} else {
			r.m *= s
		}
		r.vs, r.ts, r.sent, r.changed, r.said = r.v, now, true, false, slices.Clone(r.frame.Data[:8])
	}
	return take
}

// offer is the rule's share in an arriving value.
func (p *plainSlack) offer(now float64, slot int, f bus.Frame) {
	r := p.records[slot]
	if !r.known || !slices.Equal(r.frame.Data[:8], f.Data[:8]) {
		r.c = now
	}
	r.known, r.v, r.frame = true, now, f
	r.changed = !slices.Equal(r.said, f.Data[:8])
}

// On a free medium the policy sends what the rule, taken literally, sends.
func TestSlackFollowsItsRule(t *testing.T) {
	for seed := range uint64(12) {
		r := rand.New(rand.NewPCG(seed, 4))
		c := with(func(c *Config) {
			c.Policy = Policy{Kind: Slack, Phase: 2500 * us, Slack: DefaultSlack(pick(r, 0.02, 0.05, 0.2))}
			c.Policy.Slack.Power, c.Policy.Slack.Simple = pick(r, 2, 3, 4, 3.5), seed%2 == 0
			c.Airtime = func(n int) time.Duration { return 528*us + time.Duration(n)*8*us }
			c.Forward = nil
			for i := range 8 {
				c.Forward = append(c.Forward, Forward{ID: bus.ID(0x100 + i), Length: 8, Need: Need{
					Views: []View{{pick(r, 250*ms, 500*ms, time.Second), 131 * ms}, {pick(r, 300*ms, 2*time.Second), pick(r, 20*ms, 60*ms)}},
					State: i%3 == 2,
				}})
			}
		})
		var frames []bus.Frame
		for slot, e := range c.Forward {
			period, at := pick(r, 10*ms, 20*ms, 50*ms), time.Duration(slot)*101*us+50*us
			for ; at < 4*time.Second; at += period {
				f := frame(at, e.ID)
				if !e.Need.State {
					f.Data[0] = byte(at / ms)
				} else if at > 0 && r.IntN(20) == 0 {
					f.Data[0] = byte(r.IntN(3))
				}
				frames = append(frames, f)
			}
		}
		slices.SortStableFunc(frames, func(x, y bus.Frame) int { return int(x.At - y.At) })
		have := newRig(t, c).run(4*time.Second, frames...)
		require.Equal(t, plainInstants(&c, frames), have.sent(), "seed %d", seed)
		have.close(4 * time.Second)
	}
}

// plainInstants runs the rule over the frames, in the form of rig.sent.
func plainInstants(c *Config, frames []bus.Frame) string {
	p := &plainSlack{c: c, codec: NewCodec(c.Layout, c.Forward), price: c.Policy.Slack.Price}
	for range c.Forward {
		p.records = append(p.records, &plainRecord{})
	}
	var out []string
	var spent time.Duration
	decide := func(now time.Duration) {
		take := p.decide(inMs(now))
		if take == nil {
			return
		}
		line, size := fmt.Sprintf("%g:", inMs(now)), p.codec.HeaderSize()
		for _, slot := range take {
			line += fmt.Sprintf(" %c%g", 'a'+slot, p.records[slot].v)
			size += p.codec.RecordSize(slot, 8)
		}
		spent += c.Airtime(size)
		out = append(out, line)
	}
	tick, second := c.Policy.Phase, time.Second
	for {
		now := min(tick, second)
		isFrame := len(frames) > 0 && frames[0].At <= now
		switch {
		case isFrame:
			f := frames[0]
			frames = frames[1:]
			p.offer(inMs(f.At), int(f.ID-0x100), f)
			decide(f.At)
		case now > 4*time.Second:
			return text(joined(out))
		case second <= tick:
			over := spent.Seconds()/c.Policy.Slack.Share - 1
			p.price *= math.Exp(0.3 * min(max(over, -2), 2))
			spent, second = 0, second+time.Second
		default:
			decide(tick)
			tick += c.Policy.Slack.Tick
		}
	}
}

func joined(lines []string) (s string) {
	for _, l := range lines {
		s += l + "\n"
	}
	return s
}

// The price remembers all air that was spent above and below the target, so the
// mean share is target (1 + ln(price now / price at the beginning) / (0.3 n)) after
// n seconds, as long as neither the bounds of the price nor those of its step are
// met. So no more than the price can rise is ever overspent.
func TestSlackKeepsItsShareOfAir(t *testing.T) {
	seconds := 60
	if os.Getenv("STALEGAUGE_LONG") == "1" {
		seconds = 1200
	}
	for _, target := range []float64{0.02, 0.05, 0.2} {
		c := usual(Slack)
		c.Policy.Slack = DefaultSlack(target)
		b, err := New(c)
		require.NoError(t, err)
		now, f := time.Duration(0), frame(0, 0)
		p := b.streams[0].price
		var inSecond, total, beyond float64
		for n, i := 0, 0; n < seconds; {
			f.ID = bus.ID(0x100 + i%12)
			i++
			before, spent := p.next, p.spent
			step(b, &now, &f)
			if p.next == before {
				inSecond += (p.spent - spent).Seconds()
				continue
			}
			n++
			inSecond = max(inSecond, spent.Seconds()) // what came between the two looks belongs to either
			total += inSecond
			beyond += max(inSecond/target-3, 0)
			inSecond = p.spent.Seconds()
		}
		require.Greater(t, p.perMillisecond, leastPrice)
		require.Less(t, p.perMillisecond, mostPrice)
		mean := total / float64(seconds)
		law := target * (1 + (math.Log(p.perMillisecond/c.Policy.Slack.Price)/0.3+beyond)/float64(seconds))
		require.InDelta(t, law, mean, 0.01*target)
		require.InDelta(t, target, mean, 0.25*target)
	}
}

// However dear air is, a changed state goes at once; only the limit stands in
// front of it.
func TestAChangedStateGoesAtOnce(t *testing.T) {
	run := func(limit RateLimit) string {
		r := newRig(t, with(func(c *Config) {
			for i := range c.Forward {
				c.Forward[i].Need = Need{State: i == 0, Views: []View{{Limit: time.Second, Display: 100 * ms}}}
			}
			c.Policy = Policy{Kind: Slack, Slack: DefaultSlack(1e-6)}
			c.Policy.Slack.Price = mostPrice
			c.Airtime = func(n int) time.Duration { return ms + time.Duration(n)*8*us }
			c.Limit = limit
		}))
		return r.run(200*ms, reading(1*ms, a, 0), reading(2*ms, b2, 0), reading(10*ms, a, 0), reading(11*ms, b2, 1), reading(20*ms, a, 1),
			reading(22*ms, a, 0), reading(23*ms, a, 1)).sent()
	}
	require.Equal(t, "1: a1\n2: b2\n20: a20\n22: a22\n23: a23", run(RateLimit{}))
	require.Equal(t, "1: a1\n51: a23 b11", run(RateLimit{Broadcasts: 20}))
}

// More than one payload holds leaves in several, without waiting for a tick.
func TestWhatDoesNotFitFollowsAtOnce(t *testing.T) {
	r := newRig(t, with(func(c *Config) {
		c.Forward = nil
		for i := range 5 {
			c.Forward = append(c.Forward, Forward{ID: bus.ID(0x100 + i), Length: 8, Need: Need{Period: 100 * ms}})
		}
		c.MaxPayload = headerBytes + 2*record
		c.Policy = Policy{Kind: Slack, Slack: DefaultSlack(0.1)}
		c.Airtime = func(n int) time.Duration { return ms }
	}))
	r.air = 10 * ms
	var frames []bus.Frame
	for i := range 5 {
		frames = append(frames, frame(time.Duration(i)*us, bus.ID(0x100+i)))
	}
	r.run(25*ms, frames...)
	require.Equal(t, "0: a0\n10: b0.001 c0.002\n20: d0.003 e0.004", r.sent())
}

// As exp(-d/burst) by whole milliseconds.
func TestStaying(t *testing.T) {
	s := newStaying(0.2, 30*ms)
	for _, d := range []time.Duration{0, ms, 30 * ms, 31*ms - 500*us, 90 * ms, time.Hour} {
		require.InDelta(t, 0.2+0.8*math.Exp(-math.Floor(inMs(d)+0.5)/30), s.after(d), 1e-6, d)
	}
	require.Equal(t, 1.0, s.after(0), "a repeat at once is worth nothing")
}

// Of several views the most urgent counts, each at the ages where it is.
func TestLatenessOfSeveralViews(t *testing.T) {
	rule := DefaultSlack(0.1)
	rule.Power = 1
	slow, fast := View{Limit: 500 * ms, Display: 400 * ms}, View{Limit: 210 * ms, Display: 10 * ms}
	l := newLateness(&Need{Views: []View{fast, slow, {Limit: time.Hour}, {Limit: 0}}, Period: time.Minute}, &rule)
	require.Len(t, l.lines, 2)
	require.InDelta(t, 200./300, l.of(0), 1e-12, "(0 + 200) / (500 - 400 + 200)")
	require.InDelta(t, 1.0, l.of(100e6), 1e-12, "the slow display at its limit")
	require.InDelta(t, 5005./205, l.of(5e9), 1e-9, "(5000 + 5) / (210 - 10 + 5)")
	l = newLateness(&Need{Views: []View{{Limit: 100 * ms, Display: 200 * ms}}}, &SlackRule{Power: 2, Tick: 5 * ms})
	require.InDelta(t, 100., l.of(50e6), 1e-9, "what no bridge can keep counts by the tick")
}

// What nothing speaks for is repeated for displays that start late: ten limits
// after its last sending it is worth 0.02, and more from there on by the power.
func TestAStateIsRefreshed(t *testing.T) {
	b, err := New(with(func(c *Config) {
		c.Forward[0].Need = Need{State: true, Views: []View{{Limit: 100 * ms}}}
		c.Forward = c.Forward[:1]
		c.Policy = Policy{Kind: Slack, Slack: DefaultSlack(0.1)}
		c.Airtime = func(n int) time.Duration { return ms }
	}))
	require.NoError(t, err)
	p := b.streams[0].policy.(*slack)
	k := &slackKey{state: true, sent: true, sentAt: time.Second}
	require.InDelta(t, 0.02, p.gain(2*time.Second, k), 1e-12)
	require.InDelta(t, 0.02*16, p.gain(3*time.Second, k), 1e-12)
	// Missed by one in a million with a change two limits ago: 1e-6 (1 - 0.2) 2^4.
	k.missed, k.sentAt, k.turned = 1e-6, 3*time.Second-40*ms, 3*time.Second-200*ms
	require.InEpsilon(t, 1e-6*0.8*(1-math.Exp(-40./30))*16, p.gain(3*time.Second, k), 1e-6)
}

func TestSlackGivesUpWhatTheLimitDrops(t *testing.T) {
	r := newRig(t, with(func(c *Config) {
		for i := range c.Forward {
			c.Forward[i].Need.Period = 10 * ms
		}
		c.Policy = Policy{Kind: Slack, Slack: DefaultSlack(0.1)}
		c.Airtime = func(n int) time.Duration { return ms }
		c.Limit = RateLimit{Broadcasts: 100, Drop: true}
	}))
	r.run(7*ms, frame(1*ms, a), frame(2*ms, b2))
	require.Equal(t, "1: a1", r.sent(), "decided about again at 5 ms, and dropped again")
	require.Equal(t, fate.FrameRateLimited, r.bridge.ledger.values[r.bridge.streams[0].policy.(*slack).keys[1].value].fate)
	r.run(15 * ms)
	require.Equal(t, "1: a1\n15: b2 a1", r.sent(), "where bytes cost nothing what is there goes along")
}

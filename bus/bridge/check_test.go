package bridge

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

func TestEveryMistakeIsNamedAtOnce(t *testing.T) {
	_, err := New(Config{
		Controller: Controller{Bytes: 12, Overrun: 3},
		Pickup:     Pickup{Latency: -1, Tick: -1, Phase: -1, Cost: 400 * 24 * time.Hour},
		Stalls:     []Span{{0, 1}, {5, 5}},
		Random:     RandomStalls{Every: ms, Length: 2 * ms},
		Forward: []Forward{
			{ID: 0x800}, {ID: 0x100}, {ID: 0x100, Divide: -1, MinGap: -1, Length: 65}, {ID: 0x101, Selector: &signal.Selector{Bits: 17}},
		},
		Policy:    Policy{Kind: 5, Hold: -1, MaxRecords: 256, Phase: -1},
		Repeat:    Repeat{Copies: -1, Spacing: -1},
		Layout:    Layout{Kind: 3},
		Limit:     RateLimit{Broadcasts: -1, Bytes: math.NaN(), AirShare: 0.5, Burst: -1},
		SendQueue: SendQueue{Full: 3},
		Pace:      Pace{Gap: -1, InRadio: -1}, SendTimeout: -1,
	})
	require.EqualError(t, err, text(`
		bridge: Controller.Bytes: 12, expected 0 (no limit) or at least 13, one 29-bit frame of 8 bytes
		Controller.Overrun: unknown value 3, expected 0 to 2
		Pickup.Latency: -1ns, expected 0s to 8784h0m0s
		Pickup.Tick: -1ns, expected 0s to 8784h0m0s
		Pickup.Phase: -1ns, expected 0s to 8784h0m0s
		Pickup.Cost: 9600h0m0s, expected 0s to 8784h0m0s
		Stalls[1]: from 5ns until 5ns, expected 0 to 8784h0m0s and an end after the begin
		Random.Length: 2ms, expected more than 0 and at most Every, 1ms: otherwise the stalls join without end
		Stream: nil, random stalls need it
		QueueDepth: 0, expected 1 or more
		Forward[0].ID: 00000800 does not fit its width
		Forward[2].ID: 100 is Forward[1] already
		Forward[2].Divide: -1, expected 0 or 1 (all frames) or more
		Forward[2].MinGap: -1ns, expected 0s to 8784h0m0s
		Forward[2].Length: 65, expected 0 to 64
		Forward[3].Selector: `+(&signal.Selector{Bits: 17}).Check().Error()+`
		Policy.Kind: unknown value 5, expected 0 to 4
		Policy.Hold: -1ns, expected 0s to 8784h0m0s
		Policy.MaxRecords: 256, expected 0 (what the payload holds) to 255
		Policy.Phase: -1ns, expected 0s to 8784h0m0s
		Repeat.Copies: -1, expected 0 or 1 (once) or more
		Repeat.Spacing: -1ns, expected 0s to 8784h0m0s
		Layout.Kind: unknown value 3, expected 0 to 2
		SendQueue.Depth: 0, expected 1 or more
		SendQueue.Full: unknown value 3, expected 0 to 2
		Pace.Gap: -1ns, expected 0s to 8784h0m0s
		Pace.InRadio: -1, expected 0 (any number) or more
		SendTimeout: -1ns, expected 0s to 8784h0m0s
		MaxPayload: 0, expected at least 7, the header
		Limit.Broadcasts: -1, expected 0 (no limit) or more
		Limit.Bytes: NaN, expected 0 (no limit) or more
		Airtime: nil, Limit.AirShare needs it
		Limit.Burst: -1ns, expected 0s to 8784h0m0s`))
}

func TestMistakesOfSizesAndRates(t *testing.T) {
	for want, change := range map[string]func(c *Config){
		"Forward[1].Length: 200 with 8 bytes makes a broadcast of 20 bytes, MaxPayload is 19": func(c *Config) {
			c.MaxPayload, c.Forward[0].Length, c.Layout.RecordAges = 19, 7, true
		},
		"Forward: 257 entries, a slot of one byte tells 256 apart": func(c *Config) {
			c.Layout.Kind, c.Forward = LayoutSlot, nil
			for i := range 257 {
				c.Forward = append(c.Forward, Forward{ID: bus.ID(i)})
			}
		},
		"Limit.Burst: 10ms saves up 0.2 broadcasts, a broadcast of full payload takes 1": func(c *Config) {
			c.Limit = RateLimit{Broadcasts: 20, Burst: 10 * ms}
		},
		"Limit.Bytes: a rate of 1e+12 with a burst of 1h0m0s is out of reach": func(c *Config) {
			c.Limit = RateLimit{Bytes: 1e12, Burst: time.Hour}
		},
		"Limit.Broadcasts: a rate of 1e-300 with a burst of 0s is out of reach": func(c *Config) {
			c.Limit = RateLimit{Broadcasts: 1e-300}
		},
		"Policy.Every: 0s, expected 1ns to 8784h0m0s": func(c *Config) { c.Policy.Kind = Table },
	} {
		c := with(change)
		if c.Layout.RecordAges { // the first entry fits exactly
			c.Forward[0].Length = 7
		}
		_, err := New(c)
		require.EqualError(t, err, "bridge: "+want)
	}
}

func TestMistakesOfPoliciesAndLayouts(t *testing.T) {
	_, err := New(with(func(c *Config) {
		c.Policies = []Policy{
			{Kind: Change, MinGap: 2 * ms, Heartbeat: ms},
			{Kind: Slack, Slack: SlackRule{Power: 33, Margin: -1, Loss: 1}},
			{Kind: Table, Every: ms, ByLimits: true},
		}
		c.Layout, c.DropOlder = Layout{Kind: LayoutPacked, Tag: 3}, -1
		c.Forward = []Forward{
			{ID: 0x100, Length: 8, Policy: 4, Class: 256, Every: -1},
			{ID: 0x101, Length: 8, Policy: 2, Watched: Watched{Mask: make([]byte, 65), Bands: []Band{{signal.Definition{Name: "x", Bits: 1, Scale: 1}, -1}}}},
			{ID: 0x102, Length: 2, Policy: 3, Need: Need{Views: []View{{Limit: -1, Display: -1}}}, Fields: []Field{{Start: 15, Bits: 2, Page: signal.AnyPage}, {Bits: 65}, {Bits: 1, Page: 3}}},
			{ID: 0x103, Length: 1, Fields: []Field{{Bits: 1, Page: 3}}, Selector: &signal.Selector{Start: 8, Bits: 1}},
		}
	}))
	require.EqualError(t, err, text(`
		bridge: Forward[0].Class: 256, expected 0 to 255
		Forward[0].Every: -1, expected 0 or 1 (every round) to 1000000
		Forward[0].Policy: 4, expected 0 (Policy) to 3 (the last of Policies)
		Forward[1].Watched.Mask: 65 bytes, a frame has at most 64
		Forward[1].Watched.Bands[0].DeadBand: -1, expected 0 (every change) or more
		Forward[1].Need: neither a limit for every view nor a period, the policy slack needs one
		Forward[2].Need.Views[0].Limit: -1ns, expected 0s to 8784h0m0s
		Forward[2].Need.Views[0].Display: -1ns, expected 0s to 8784h0m0s
		Forward[2].Fields[0]: it reaches beyond the 2 bytes that the layout foresees
		Forward[2].Fields[1]: signal "field": 65 bits, expected 1 to 64
		Forward[2].Fields[2].Page: 3, but the entry has no selector; expected -1
		Forward[2].Need: neither a limit for every view nor a period, the policy table needs one
		Forward[3].Selector: it reaches beyond the 1 bytes that the layout foresees
		Policies[0].Heartbeat: 1ms is shorter than MinGap, 2ms
		Airtime: nil, Policies[1].Slack needs it
		Policies[1].Slack.Share: 0, expected more than 0, up to 1
		Policies[1].Slack.Power: 33, expected more than 0, up to 32
		Policies[1].Slack.Margin: -1, expected 0 to 10 times the display's time
		Policies[1].Slack.Loss: 1, expected 0 to less than 1
		Policies[1].Slack.Burst: 0s, expected more than 0, up to 10s
		Policies[1].Slack.Tick: 0s, expected 1µs to 8784h0m0s
		Policies[1].Slack.Price: 0, expected 1e-06 to 1e+06
		Layout.Tag: 3, expected 0 (none) or 4 to 8
		DropOlder: -1ns, expected 0s to 8784h0m0s`))
}

package traffic

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// good returns a configuration without mistakes.
func good() Config {
	return Config{
		BitRate: 500_000, Stream: streams(1),
		Messages: []Message{
			{Name: "speed", ID: 0x100, Length: 8, Period: 10 * ms, Fields: []Field{
				{unsigned("lamp", 0, 1), Value{Kind: Square, High: 1, Every: time.Second}},
				{unsigned("hatch", 1, 1), Value{Kind: Pulse, High: 1, Every: time.Second, Width: 100 * ms}},
				{unsigned("walk", 8, 8), Value{Kind: RandomWalk, High: 200, Step: 5}},
			}},
			{ID: 0x200, Length: 8, Period: 100 * ms},
		},
	}
}

// spoilt are good configurations with one mistake each, and what is said of it.
var spoilt = map[string]struct {
	spoil func(c *Config, m *Message)
	want  string
}{
	"bit rate":           {func(c *Config, m *Message) { c.BitRate = 0 }, "bus: bit rate 0, expected 1000 to 1000000000 bit/s"},
	"data bit rate":      {func(c *Config, m *Message) { c.DataBitRate = -1 }, "bus: bit rate of the data phase -1, expected 1000 to 1000000000 bit/s, or 0 for the bit rate"},
	"bit error rate":     {func(c *Config, m *Message) { c.BitErrorRate = 0.5 }, "bus: bit error rate 0.5, expected 0 to 0.001"},
	"bit error rate NaN": {func(c *Config, m *Message) { c.BitErrorRate = math.NaN() }, "bus: bit error rate NaN, expected 0 to 0.001"},
	"no messages":        {func(c *Config, m *Message) { c.Messages = nil }, "bus: 0 messages, expected 1 to 65536"},
	"too many releases": {func(c *Config, m *Message) {
		m.Events = &Events{Every: 100 * time.Microsecond, Group: 1000, Spacing: ms}
	}, "bus: the messages are released 10000110 times a second in all, expected at most 1000000"},
	"same identifier":      {func(c *Config, m *Message) { m.ID = 0x200 }, `message 1 (200): has the identifier of message "speed": two nodes that send it at once could not settle who goes first`},
	"identifier":           {func(c *Config, m *Message) { m.ID = 0x800 }, `message "speed": `},
	"percent in a name":    {func(c *Config, m *Message) { m.Name, m.Phase = "100%d", 2 }, `message "100%d": phase 2 is neither random nor fixed`},
	"length":               {func(c *Config, m *Message) { c.Messages[1].Length = 9 }, `message 1 (200): length 9, expected 0 to 8 bytes`},
	"never sent":           {func(c *Config, m *Message) { m.Period = 0 }, `message "speed": is never sent: it has no period, no events and no storm`},
	"period":               {func(c *Config, m *Message) { m.Period = 1 }, `message "speed": period 1ns, expected 10µs to 8760h0m0s`},
	"offset":               {func(c *Config, m *Message) { m.Phase, m.Offset = PhaseFixed, -1 }, `message "speed": offset -1ns, expected 0s to 8760h0m0s`},
	"offset, random phase": {func(c *Config, m *Message) { m.Offset = ms }, `message "speed": offset 1ms, but the phase is random`},
	"drift":                {func(c *Config, m *Message) { m.Drift = math.NaN() }, `message "speed": clock drift NaN ppm, expected -100000 to 100000`},
	"jitter":               {func(c *Config, m *Message) { m.Jitter = 10 * ms }, `message "speed": release jitter 10ms, expected 0 to below the period of 10ms`},
	"drift of a node":      {func(c *Config, m *Message) { m.Node, m.Drift, c.Messages[1].Node = "dash", 50, "dash" }, `message 1 (200): clock drift 0 ppm, but 50 ppm in message "speed" of the same node "dash"`},
	"remote with fields":   {func(c *Config, m *Message) { m.Remote = true }, `message "speed": a remote frame has no fields and no pages: it carries no data`},
	"pages, no selector":   {func(c *Config, m *Message) { m.Pages = []int{1} }, `message "speed": has pages but no page selector`},
	"selector, no pages":   {func(c *Config, m *Message) { m.Selector = selector(16, 4) }, `message "speed": has a page selector but no pages`},
	"page":                 {func(c *Config, m *Message) { m.Selector, m.Pages = selector(16, 4), []int{16} }, `message "speed": page 16, expected 0 to 15: the selector has 4 bits`},
	"page never sent": {func(c *Config, m *Message) {
		m.Selector, m.Pages, m.Fields[2].Signal.Page = selector(16, 4), []int{1}, 2
	}, `message "speed", signal "walk": lies on page 2, which is never sent`},
	"overlap":               {func(c *Config, m *Message) { m.Fields[1].Signal.Start = 0 }, `message "speed": signal "hatch": overlaps signal "lamp"`},
	"no such law":           {func(c *Config, m *Message) { m.Fields[0].Value.Kind = 99 }, `message "speed", signal "lamp": law of value 99 does not exist`},
	"value out of range":    {func(c *Config, m *Message) { m.Fields[2].Value.High = 300 }, `message "speed", signal "walk": high value 300 does not fit: the signal goes from 0 to 255`},
	"value no number":       {func(c *Config, m *Message) { m.Fields[2].Value.Low = math.NaN() }, `message "speed", signal "walk": low value NaN, expected a number`},
	"walk upside down":      {func(c *Config, m *Message) { m.Fields[2].Value.Low = 250 }, `message "speed", signal "walk": walks between 250 and 200: the low value is above the high one`},
	"walk step":             {func(c *Config, m *Message) { m.Fields[2].Value.Step = 201 }, `message "speed", signal "walk": step 201, expected 0 to the width of the range, 200`},
	"turn":                  {func(c *Config, m *Message) { m.Fields[0].Value.Every = 0 }, `message "speed", signal "lamp": turn 0s, expected 1µs to 8760h0m0s`},
	"square width":          {func(c *Config, m *Message) { m.Fields[0].Value.Width = time.Second }, `message "speed", signal "lamp": width 1s, expected above 0 and below the turn of 1s, or 0 for half of it`},
	"pulse distance":        {func(c *Config, m *Message) { m.Fields[1].Value.Every = 1 }, `message "speed", signal "hatch": mean distance of pulses 1ns, expected 100µs to 8760h0m0s`},
	"pulse width":           {func(c *Config, m *Message) { m.Fields[1].Value.Width = 0 }, `message "speed", signal "hatch": width 0s, expected above 0 and at most the mean distance of 1s`},
	"pulses in a long time": {func(c *Config, m *Message) { m.Period = 8_000 * time.Hour; m.Fields[1].Value.Every = 200 * ms }, `message "speed": signal "hatch": pulses every 200ms are too close for silences of up to 8000h0m0s`},
	"events of nothing":     {func(c *Config, m *Message) { m.Events = &Events{} }, `message "speed": has events, but no field to watch, no mean distance and no heartbeat`},
	"watched field":         {func(c *Config, m *Message) { m.Events = &Events{OnChange: []int{3}} }, `message "speed": watches field 3, expected 0 to 2`},
	"watched law":           {func(c *Config, m *Message) { m.Events = &Events{OnChange: []int{2}} }, `message "speed": watches signal "walk": only the changes of a square or pulse are known beforehand`},
	"events too close":      {func(c *Config, m *Message) { m.Events = &Events{Every: 1} }, `message "speed": mean distance of events 1ns, expected 100µs to 8760h0m0s`},
	"heartbeat":             {func(c *Config, m *Message) { m.Events = &Events{Heartbeat: -1} }, `message "speed": heartbeat -1ns, expected 10µs to 8760h0m0s`},
	"minimum gap":           {func(c *Config, m *Message) { m.Events = &Events{Heartbeat: ms, MinGap: -1} }, `message "speed": minimum gap -1ns, expected 0s to 8760h0m0s`},
	"group":                 {func(c *Config, m *Message) { m.Events = &Events{Every: ms, Group: 1001, Spacing: ms} }, `message "speed": groups of 1001, expected 0 to 1000`},
	"group of nothing":      {func(c *Config, m *Message) { m.Events = &Events{Heartbeat: ms, Group: 2, Spacing: ms} }, `message "speed": groups without a mean distance of events`},
	"group spacing":         {func(c *Config, m *Message) { m.Events = &Events{Every: ms, Group: 2} }, `message "speed": spacing in a group 0s, expected 10µs to 8h45m36s`},
	"spacing, no group":     {func(c *Config, m *Message) { m.Events = &Events{Every: ms, Spacing: ms} }, `message "speed": spacing 1ms without groups`},
	"timeline backwards":    {func(c *Config, m *Message) { c.Timeline = []Episode{{Name: "a", At: ms}, {Name: "b", At: ms}} }, `timeline, episode 1 "b": begins at 1ms, expected later than the one before it at 1ms`},
	"timeline before 0":     {func(c *Config, m *Message) { c.Timeline = []Episode{{Name: "a", At: -1}} }, `timeline, episode 0 "a": begins at -1ns, expected 0s to 8760h0m0s`},
	"storm of no message":   {func(c *Config, m *Message) { c.Timeline = []Episode{{Storm: &Storm{Message: 2}}} }, `timeline, episode 0 "": storm of message 2, expected 0 to 1`},
	"storm rate":            {func(c *Config, m *Message) { c.Timeline = []Episode{{Storm: &Storm{Rate: math.Inf(1)}}} }, `timeline, episode 0 "": storm of +Inf frames a second, expected 0.001 to 100000, or 0 for back to back`},
}

func TestMistakesAreSaid(t *testing.T) {
	for name, c := range spoilt {
		t.Run(name, func(t *testing.T) {
			config := good()
			c.spoil(&config, &config.Messages[0])
			s, err := New(config)
			require.Nil(t, s)
			require.ErrorContains(t, err, c.want)
		})
	}
}

func TestAllMistakesAtOnce(t *testing.T) {
	config := good()
	config.BitRate = 0
	config.Messages[0].Jitter = -1
	config.Messages[1].Length = 11
	config.Timeline = []Episode{{At: -1}}
	_, err := New(config)
	require.Len(t, strings.Split(err.Error(), "\n"), 4)
}

func TestGoodSetsAreTaken(t *testing.T) {
	config := good()
	config.Messages[0].Period = 0
	config.Messages[0].Events = &Events{OnChange: []int{0, 1}}
	config.Messages = append(config.Messages, Message{ID: 0x300}, Message{ID: 0x100, Remote: true, Period: time.Second})
	config.Timeline = []Episode{{At: time.Second, Storm: &Storm{Message: 2, Rate: 100}}}
	set(t, config)
}

func TestWrongUseByTheProgrammerPanics(t *testing.T) {
	require.PanicsWithValue(t, "traffic: New: Config.Stream is nil", func() { _, _ = New(Config{}) })
	c := good()
	c.Watch = []bool{true}
	require.PanicsWithValue(t, "traffic: New: Config.Watch without Config.OnRelease", func() { _, _ = New(c) })
	c.Watch = make([]bool, 3)
	require.PanicsWithValue(t, "traffic: New: Config.Watch is longer than Config.Messages", func() { _, _ = New(c) })
	require.PanicsWithValue(t, "traffic: Set.Curve: no field 0 of a message 1", func() { set(t, good()).Curve(1, 0) })
}

// reader takes a configuration from the bytes of a fuzz input.
type reader struct{ data []byte }

func (r *reader) byte() int {
	if len(r.data) == 0 {
		return 0
	}
	b := r.data[0]
	r.data = r.data[1:]
	return int(b)
}

// time returns 0, a time on a logarithmic scale up to some years, or, rarely,
// one below 0.
func (r *reader) time() time.Duration {
	b := r.byte()
	if b == 255 {
		return -1
	}
	if b < 64 {
		return time.Duration(b) * ms
	}
	return time.Duration(math.Exp2(float64(b-64)/3.3)) + time.Duration(r.byte())
}

func (r *reader) config() Config {
	c := Config{Stream: streams(uint64(r.byte())), BitRate: []int{1000, 125_000, 500_000, 999_999, 0}[r.byte()%5], DataBitRate: []int{0, 2_000_000, 777}[r.byte()%3]}
	c.BitErrorRate, c.ErrorFrames = float64(r.byte()%12)*1e-4, r.byte()%2 == 1
	for range r.byte() % 5 {
		m := Message{
			ID: bus.ID(r.byte() << 3), Remote: r.byte()%8 == 7, Flags: bus.Flags(r.byte() % 4), Length: r.byte() % 70,
			Period: r.time(), Offset: r.time(), Phase: Phase(r.byte() % 3), Jitter: r.time(), Drift: float64(r.byte()) - 100,
			Overwrite: r.byte()%2 == 1,
		}
		if r.byte()%2 == 1 {
			m.ID |= bus.Extended | 0x123
		}
		if r.byte()%3 == 2 {
			m.Selector = selector(r.byte(), r.byte()%20)
			for range r.byte() % 4 {
				m.Pages = append(m.Pages, r.byte()%20)
			}
		}
		for i := range r.byte() % 3 {
			d := unsigned(string(rune('a'+i)), r.byte(), r.byte()%66)
			d.Page = r.byte()%8 - 1
			m.Fields = append(m.Fields, Field{d, Value{ValueKind(r.byte() % 9), float64(r.byte()), float64(r.byte()), float64(r.byte()), r.time(), r.time()}})
		}
		if r.byte()%2 == 1 {
			m.Events = &Events{Every: r.time(), Group: r.byte() % 20, Spacing: r.time(), MinGap: r.time(), Heartbeat: r.time()}
			for range r.byte() % 3 {
				m.Events.OnChange = append(m.Events.OnChange, r.byte()%3)
			}
		}
		c.Messages = append(c.Messages, m)
	}
	for range r.byte() % 4 {
		e := Episode{At: r.time(), Asleep: r.byte()%2 == 1}
		if r.byte()%3 == 2 {
			e.Storm = &Storm{Message: r.byte() % 6, Rate: float64(r.byte()) * float64(r.byte())}
		}
		c.Timeline = append(c.Timeline, e)
	}
	return c
}

// FuzzSet: whatever the configuration, New says what is wrong with it or returns
// a set of which the frames keep the laws of a bus.
func FuzzSet(f *testing.F) {
	f.Add([]byte{1, 2, 0, 0, 0, 1, 9, 0, 0, 8, 10})
	f.Add([]byte{1, 2, 1, 3, 1, 2, 9, 0, 3, 64, 10, 0, 0, 3, 120, 1, 1, 0, 0, 0, 17, 1, 3, 8, 10, 0, 0, 0, 100, 0, 0, 2, 0, 8, 2, 1, 3, 1, 9, 8, 0, 1, 20, 200, 3, 120, 0})
	f.Add([]byte{1, 0, 0, 0, 0, 2, 9, 0, 0, 8, 1, 0, 0, 0, 100, 0, 0, 0, 0, 1, 20, 3, 10, 5, 60, 6, 1, 9, 0, 0, 8, 1, 0, 0, 0, 100, 0, 0, 0, 0, 0, 3, 10, 1, 0, 60, 0, 2, 1, 50, 2})
	f.Fuzz(func(t *testing.T, data []byte) {
		r := reader{data}
		c := r.config()
		told := make([]uint64, len(c.Messages))
		lastTold := make([]time.Duration, len(c.Messages))
		c.Watch = make([]bool, len(c.Messages))
		for i := range c.Watch {
			c.Watch[i] = true
			lastTold[i] = -1
		}
		c.OnRelease = func(message, page int, at time.Duration) {
			if at <= lastTold[message] {
				t.Fatalf("message %d was released at %v after %v", message, at, lastTold[message])
			}
			told[message]++
			lastTold[message] = at
		}
		s, err := New(c)
		if err != nil {
			require.Nil(t, s)
			return
		}
		var frame bus.Frame
		var free time.Duration
		for range 300 {
			if !s.Next(&frame) {
				break
			}
			if frame.Kind == bus.Error {
				require.GreaterOrEqual(t, frame.At, free)
				continue
			}
			require.NoError(t, frame.Check())
			start := frame.At - frame.Bits().Reception().Duration(c.BitRate, s.config.DataBitRate)
			require.GreaterOrEqual(t, start, frame.Released)
			require.GreaterOrEqual(t, frame.Released, time.Duration(0))
			require.GreaterOrEqual(t, start, free)
			free = start + frame.Bits().WithIntermission().Duration(c.BitRate, s.config.DataBitRate)
		}
		st := s.Statistics()
		require.LessOrEqual(t, st.Busy, s.idle)
		for i, m := range st.Messages {
			require.Equal(t, m.Released, m.Sent+m.Overwritten+m.Waiting)
			require.Equal(t, told[i], m.Released)
		}
	})
}

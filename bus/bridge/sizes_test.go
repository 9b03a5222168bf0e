package bridge

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus"
)

// 250 bytes, 7 of header. By hand: id 3 + 4 = 7, 5 + 3 = 8 and 5 + 2 = 7 bytes;
// slot 1 + data; packed 1 + 2 for 16 bits, 1 + 2 for 4 + 2 + 8, 1 + 2 whole.
func TestLayoutsSideBySide(t *testing.T) {
	require.Equal(t, []LayoutSizes{
		{Kind: LayoutID, Header: 7, Records: []int{7, 8, 7}, Fits: []int{34, 30, 34}, Broadcasts: 1, Bytes: 29},
		{Kind: LayoutSlot, Header: 7, Records: []int{5, 4, 3}, Fits: []int{48, 60, 81}, Broadcasts: 1, Bytes: 19},
		{Kind: LayoutPacked, Header: 7, Records: []int{3, 3, 3}, Fits: []int{81, 81, 81}, Broadcasts: 1, Bytes: 16},
	}, CompareLayouts(Layout{Version: 1}, packedList(), 250))
	// Ages add 2 to a record; time, counter and tag 4 + 4 + 8 to the header.
	require.Equal(t, []LayoutSizes{
		{Kind: LayoutID, Header: 23, Records: []int{9, 10, 9}, Fits: []int{1, 0, 1}, Broadcasts: 2, Bytes: 64},
		{Kind: LayoutSlot, Header: 23, Records: []int{7, 6, 5}, Fits: []int{1, 1, 1}, Broadcasts: 3, Bytes: 87},
		{Kind: LayoutPacked, Header: 23, Records: []int{5, 5, 5}, Fits: []int{1, 1, 1}, Broadcasts: 3, Bytes: 84},
	}, CompareLayouts(Layout{SendTime: true, RecordAges: true, Tag: 8}, packedList(), 32))

	var many []Forward
	for i := range 300 {
		many = append(many, Forward{ID: bus.ID(i)})
	}
	all := CompareLayouts(Layout{}, many, 1470)
	require.Len(t, all, 1, "a slot of one byte does not tell 300 apart")
	require.Equal(t, []int{2, 255}, []int{all[0].Broadcasts, all[0].Fits[0]})
}

// What the table of sizes says is what a bridge sends.
func TestSizesAreThoseOfTheEncoder(t *testing.T) {
	for seed := range uint64(60) {
		c, frames := randomCase(seed)
		r := newRig(t, c).run(200*ms, frames...)
		for _, s := range CompareLayouts(c.Layout, c.Forward, c.MaxPayload) {
			if s.Kind != c.Layout.Kind {
				continue
			}
			for i, h := range r.out {
				size := s.Header
				for _, rec := range h.records {
					size += s.Records[rec.Slot]
					if s.Kind == LayoutID {
						size += int(rec.Length) - c.Forward[rec.Slot].Length
					}
				}
				require.Len(t, r.written[i], size)
			}
		}
	}
}

func TestHoldLever(t *testing.T) {
	c := Config{
		Policy: Policy{Kind: Fill, Hold: 50 * ms},
		Policies: []Policy{
			{Name: "a", Kind: Table, Every: 100 * ms}, {Name: "b", Kind: Change, MinGap: 20 * ms, Heartbeat: time.Second}, {Name: "c", Kind: Change, MinGap: 20 * ms},
			{Name: "d", Kind: Slack, Slack: DefaultSlack(0.05)}, {Name: "e", Kind: Each}, {Name: "f", Kind: Change},
		},
		Forward: []Forward{
			{}, {Policy: 1}, {Policy: 1, Every: 4}, {Policy: 2}, {Policy: 3}, {Policy: 4}, {Policy: 5}, {Policy: 6},
			{MinGap: 200 * ms}, {MinGap: 20 * ms}, {Divide: 5}, {Policy: 1, Every: 4, MinGap: 200 * ms},
		},
	}
	want := []Lever{
		{Key: "bridge.policy.hold", Time: 50 * ms, IsTime: true},
		{Key: "bridge.policies.a.every", Time: 100 * ms, IsTime: true},
		{Key: "bridge.forward.2.every", Number: 4},
		{Key: "bridge.policies.b.heartbeat", Time: time.Second, IsTime: true},
		{Key: "bridge.policies.c.min_gap", Time: 20 * ms, IsTime: true},
		{Key: "bridge.policies.d.share", Number: 0.05},
		{Key: "bridge.policies.e.kind", IsWord: true},
		{Key: "bridge.policies.f.kind", IsWord: true},
		{Key: "bridge.forward.8.cap", Time: 200 * ms, IsTime: true},
		{Key: "bridge.policy.hold", Time: 50 * ms, IsTime: true},
		{Key: "bridge.forward.10.divide", Number: 5},
		{Key: "bridge.forward.11.every", Number: 4},
	}
	for slot, lever := range want {
		require.Equal(t, lever, c.HoldLever(slot), "slot %d", slot)
	}
	require.Equal(t, []int{0, 1, 4, 0, 0, 0, 0, 0, 0, 0, 0, 4}, c.Rounds())
	c.Policies[0].ByLimits = true
	for i := range c.Forward {
		c.Forward[i].Need.Period = time.Duration(i) * ms
	}
	require.Equal(t, []int{0, 1, 4, 0, 0, 0, 0, 0, 0, 0, 0, 4}, c.Rounds())
	c.Forward[2].Every = 0
	require.Equal(t, []int{0, 1, 2, 0, 0, 0, 0, 0, 0, 0, 0, 4}, c.Rounds())
	c.Policy, c.Forward = Policy{Kind: Change, Heartbeat: time.Second}, []Forward{{}}
	require.Equal(t, "bridge.policy.heartbeat", c.HoldLever(0).Key)
}

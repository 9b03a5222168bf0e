package reports_test

import (
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
	"stalegauge/radio"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

const ms = time.Millisecond

// exact is a figure whose interval is a tenth of it to each side.
func exact(v float64) study.Value {
	return study.Value{Defined: true, Value: v, Low: v * 0.9, High: v * 1.1}
}

// shape is a distribution whose figures stand in a fixed ratio to the mean.
func shape(mean float64) study.Statistic {
	return study.Statistic{Mean: exact(mean), P50: exact(mean * 0.95), P95: exact(mean * 1.8),
		P99: exact(mean * 2.2), Max: study.Max{Defined: true, Value: mean * 4, Observed: 600}}
}

// shown is a signal with the given mean age; its waterfall adds up to it.
func shown(name string, id bus.ID, limit time.Duration, verdict study.Verdict, mean float64) study.Signal {
	s := study.Signal{
		Shown:   scenarios.Shown{Signal: signal.Definition{Name: name, Unit: "km/h"}, ID: id, Period: 20 * ms},
		Verdict: verdict, Observed: 600, Window: 600,
		UnknownShare: study.Value{Defined: true},
		Age:          shape(mean), MemoryAge: shape(mean * 0.5), Latency: shape(mean * 0.8),
		PeakAge: shape(mean * 1.5), UpdateInterval: shape(0.1),
		FloorMean: exact(0.0104), FloorP99: exact(0.0203),
		WaterfallOpen: true,
	}
	s.Waterfall[fate.StageSource] = 0.010
	s.Waterfall[fate.StageWire] = 0.0004
	s.Waterfall[fate.StagePickup] = 0.00001
	s.Waterfall[fate.StageBusQueue] = 0.00002
	s.Waterfall[fate.StageHold] = mean * 0.3
	s.Waterfall[fate.StageAirtime] = 0.0012
	s.Waterfall[fate.StageFading] = 0.002
	s.Waterfall[fate.StageHandler] = 0.0003
	rest := mean
	for _, v := range s.Waterfall {
		rest -= v
	}
	s.Waterfall[fate.StageRedraw] = rest
	if verdict != study.NoLimit {
		s.Shown.Limit = &scenarios.Limit{Quantile: 0.99, Value: limit}
		s.OverLimit, s.Violations = exact(0.0042), exact(12)
		s.MeanOverage, s.LongestOver = exact(0.0001), 0.25
	}
	return s
}

// hopper is a small made-up result with one verdict of each kind and a signal
// that was never shown.
func hopper() *study.Result {
	speed := shown("ground_speed", 0x120, 250*ms, study.Missed, 0.130)
	speed.Why = "over 250 ms for 2.1..2.6 % of the time, 1 % allowed"
	level := shown("tank_level", 0x310, 500*ms, study.Undecided, 0.180)
	level.Why, level.MoreTime = "over 500 ms for 0.4..1.3 % of the time, 1 % allowed", 440
	beacon := shown("beacon", bus.Extended|0x18FF0121, 400*ms, study.Met, 0.090)
	beacon.OverLimit = study.Value{Defined: true, High: 0.0005}
	beacon.Violations = study.Value{Defined: true, High: 18}
	beacon.LongestOver = 0
	beacon.BoundBasis = "redraw, 100 ms"
	battery := shown("battery_charge", 0x3A0, 0, study.NoLimit, 1.2)
	lost := study.Signal{
		Shown: scenarios.Shown{Signal: signal.Definition{Name: "hatch"}, ID: 0x410, Period: time.Second,
			Limit: &scenarios.Limit{Quantile: 0.99, Value: 2 * time.Second}},
		Verdict: study.Missed, Why: "never shown", Window: 600, UnknownShare: exact(1),
	}
	r := &study.Result{
		Plan: hopperPlan(), Version: "v0.0.0-test", Replications: 10, Confidence: 0.95,
		Duration: 60, Simulated: 622.5,
		FramesPerSecond: exact(1893), BusLoad: exact(0.47), Frames: 1_178_392,
		Stages: []study.BridgeStage{
			{Name: "controller", HighWater: 4, Capacity: 64, Unit: "bytes"},
			{Name: "pickup", Load: 0.021, HasLoad: true, HighWater: 3, Unit: "frames"},
			{Name: "send_queue", HighWater: 5, Capacity: 32, Unit: "broadcasts"},
		},
		Entries: []study.Entry{
			{ID: "120", Policy: &bridge.Policy{Kind: bridge.Fill}, Bytes: 11, Wanted: 30_000, Left: 30_000, Waited: 0.051},
			{ID: "310", Policy: &bridge.Policy{Kind: bridge.Change, Name: "rare"}, Class: 1, Bytes: 11, Wanted: 1_000, Left: 900, Waited: 2.5},
			{ID: "18FF0121", Policy: &bridge.Policy{Kind: bridge.Fill}, Bytes: 13, Wanted: 60, Left: 60, Waited: 0.0498},
		},
		Layouts: []bridge.LayoutSizes{
			{Kind: bridge.LayoutID, Header: 10, Records: []int{11, 11, 13}, Fits: []int{21, 21, 18}, Broadcasts: 1, Bytes: 45},
			{Kind: bridge.LayoutPacked, Header: 10, Records: []int{3, 3, 3}, Fits: []int{80, 80, 80}, Broadcasts: 1, Bytes: 19},
		},
		OwnShare: exact(0.052), OwnOccupancy: exact(0.061), OthersShare: exact(0.15), OthersOffered: exact(0.15),
		BroadcastsPerSecond: exact(24.4), RecordsPerBroadcast: exact(9.2),
		Receivers: []study.Receiver{
			{Name: "pillar", FirstPicture: shape(1.1), Signals: []study.Signal{speed, beacon, battery}},
			{Name: "gauge", FirstPicture: study.Statistic{}, NeverFilled: 10, Signals: []study.Signal{level, lost}},
		},
	}
	second := study.Neighbour{Name: "second", Count: 2, OwnShare: exact(0.07), BroadcastsPerSecond: exact(48), DeliveredShare: exact(0.9)}
	second.RecordFates[fate.RecordTaken], second.RecordFates[fate.RecordCollided] = 90_000, 10_000
	r.Neighbours = []study.Neighbour{second}
	r.BusMessages = []study.BusMessage{
		{Name: "Drive", ID: "120", Listed: true, Frames: 31_000, Mean: 0.0004, Max: 0.0011, Bound: 0.0019, Bounded: true},
		{Name: "Tank", ID: "310", Listed: true, Frames: 31_000, Mean: 0.0006, Max: 0.0031},
		{Name: "Seat", ID: "400", Frames: 6_200, Mean: 0.0009, Max: 0.0042, Bound: 0.0067, Bounded: true},
	}
	r.BusOpen = []string{"310 (Tank) is sent on events without a shortest distance (min_gap)"}
	r.FrameFates[fate.FrameNotListed] = 800_000
	r.FrameFates[fate.FrameReplaced] = 150_000
	r.FrameFates[fate.FrameRateLimited] = 20_000
	r.FrameFates[fate.FrameOverrun] = 392
	r.FrameFates[fate.FrameSent] = 208_000
	for i := range r.Receivers {
		f := &r.Receivers[i].RecordFates
		f[fate.RecordTaken], f[fate.RecordSame] = 180_000, 12_000
		f[fate.RecordFaded], f[fate.RecordCollided], f[fate.RecordQueueFull] = 9_000, 800, 3
		f[fate.RecordNotPowered] = 6_000
	}
	return r
}

func hopperPlan() *scenarios.Plan {
	p := &scenarios.Plan{
		Name: "hopper", SHA256: "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
		Seed: 7, Replications: 10,
		Background: []radio.Background{{Name: "yard", Share: 0.15}},
		Assumptions: []scenarios.Assumption{
			{Key: "bridge.policy.hold", Value: "50ms", Origin: "default", Reason: "engineering judgement, confirm by measurement"},
			{Key: "receivers.pillar.draw", Value: "31ms", Origin: "default", Reason: "field reports"},
			{Key: "receivers.pillar.queue", Value: "8", Origin: "command line"},
			{Key: "bus.bitrate", Value: "500kbit/s", Origin: "scenario"},
		},
		Warnings: []string{"tank_level is limited to 500 ms, less than its period and two redraws take together, so that it has no room left"},
	}
	p.Bus = scenarios.Bus{BitRate: 500_000, Messages: []traffic.Message{
		{Name: "Drive", ID: 0x120, Period: 20 * ms}, {Name: "Tank", ID: 0x310, Period: 20 * ms},
	}}
	p.Bridge = bridge.Config{QueueDepth: 32, SendQueue: bridge.SendQueue{Depth: 32},
		Policy:  bridge.Policy{Kind: bridge.Fill, Hold: 50 * ms},
		Forward: []bridge.Forward{{ID: 0x120}, {ID: 0x310, Divide: 4}}}
	for _, name := range []string{"pillar", "gauge"} {
		p.Receivers = append(p.Receivers, scenarios.Receiver{Name: name, Queue: 8,
			Handler: 300 * time.Microsecond, Redraw: 100 * ms, Draw: 31 * ms})
	}
	return p
}

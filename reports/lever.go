package reports

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

// lever is the parameter of a scenario that moves one term of a waterfall.
type lever struct {
	key   string // as --set takes it
	value string // what it is now
}

// String returns the key with its value in brackets.
func (l lever) String() string {
	if l.value == "" {
		return l.key
	}
	return l.key + " (" + l.value + ")"
}

// leverOf names the parameter behind a term of the waterfall of one signal on
// the display r.
func leverOf(plan *scenarios.Plan, r *scenarios.Receiver, shown scenarios.Shown, stage fate.Stage) lever {
	switch stage {
	case fate.StageSource:
		return sourceLever(plan, shown)
	case fate.StageWire:
		return lever{"bus.bitrate", fmt.Sprintf("%d bit/s", plan.Bus.BitRate)}
	case fate.StagePickup, fate.StageBusQueue:
		return pickupLever(&plan.Bridge, stage)
	case fate.StageHold:
		return holdLever(&plan.Bridge, shown.ID)
	case fate.StageRateLimit:
		return limitLever(plan)
	case fate.StageSendQueue:
		return sendQueueLever(plan)
	case fate.StageAccess, fate.StageAirtime, fate.StageCollision:
		return airLever(plan, stage)
	default:
		return displayLever(plan, r, stage)
	}
}

func sourceLever(plan *scenarios.Plan, shown scenarios.Shown) lever {
	for _, m := range plan.Bus.Messages {
		if m.ID == shown.ID && m.Period > 0 {
			return lever{"bus.messages." + m.Name + ".period", seconds(m.Period)}
		}
	}
	return lever{"the period of " + shown.ID.String(), seconds(shown.Period)}
}

func pickupLever(c *bridge.Config, stage fate.Stage) lever {
	switch {
	case stage == fate.StageBusQueue:
		return lever{"bridge.queue", plural(c.QueueDepth, "frame")}
	case c.Pickup.Tick > 0:
		return lever{"bridge.pickup.tick", seconds(c.Pickup.Tick)}
	case c.Pickup.Latency > c.Pickup.Cost:
		return lever{"bridge.pickup.latency", seconds(c.Pickup.Latency)}
	default:
		return lever{"bridge.pickup.cost", seconds(c.Pickup.Cost)}
	}
}

// holdLever names what keeps a value out of the broadcasts for longest.
func holdLever(c *bridge.Config, id bus.ID) lever {
	slot := slices.IndexFunc(c.Forward, func(f bridge.Forward) bool { return f.ID == id })
	if slot < 0 {
		return lever{"bridge.forward", "without " + id.String()}
	}
	l := c.HoldLever(slot)
	switch {
	case l.IsTime && strings.HasSuffix(l.Key, ".cap"):
		return lever{l.Key, number(1/l.Time.Seconds(), true, "/s")} // as scenarios have it
	case l.IsTime:
		return lever{l.Key, seconds(l.Time)}
	case strings.HasSuffix(l.Key, ".share"):
		return lever{l.Key, percent(l.Number, true)}
	case l.IsWord:
		return lever{l.Key, c.PolicyOf(slot).Kind.String()}
	default:
		return lever{l.Key, strconv.FormatFloat(l.Number, 'g', -1, 64)}
	}
}

func limitLever(plan *scenarios.Plan) lever {
	l := plan.Bridge.Limit
	switch {
	case l.Broadcasts > 0:
		return lever{"bridge.limit.broadcasts", number(l.Broadcasts, true, "/s")}
	case l.Bytes > 0:
		return lever{"bridge.limit.bytes", number(l.Bytes, true, " B/s")}
	case plan.Utilisation > 0 && l.AirShare == radio.UtilisationShare(plan.Utilisation, plan.Milliwatt):
		return lever{"radio.utilisation", percent(plan.Utilisation, true)}
	case l.AirShare > 0:
		return lever{"bridge.limit.air_share", percent(l.AirShare, true)}
	default:
		return lever{"bridge.limit", "no limit"}
	}
}

// sendQueueLever names what the bridge waits for when it has something to send.
func sendQueueLever(plan *scenarios.Plan) lever {
	if gap := plan.Bridge.Pace.Gap; gap > 0 {
		return lever{"bridge.pace", seconds(gap)}
	}
	switch p := plan.Radio.(type) {
	case *radio.Advertising:
		return lever{"radio.interval", seconds(p.Interval())}
	case interface{ Duty() float64 }:
		if p.Duty() < 1 {
			return lever{"radio.duty", percent(p.Duty(), true)}
		}
	}
	return lever{"bridge.send_queue.depth", plural(plan.Bridge.SendQueue.Depth, "broadcast")}
}

// airLever blames the busiest other sender for access and collisions, where
// there is one, and the radio for the rest.
func airLever(plan *scenarios.Plan, stage fate.Stage) lever {
	busiest, share := "", 0.0
	for _, b := range plan.Background {
		if b.Share > share {
			busiest, share = b.Name, b.Share
		}
	}
	if stage != fate.StageAirtime && busiest != "" {
		return lever{"air.background." + busiest + ".share", percent(share, true)}
	}
	name := ""
	if plan.Radio != nil {
		name = plan.Radio.Name()
	}
	return lever{"radio.profile", name}
}

func displayLever(plan *scenarios.Plan, r *scenarios.Receiver, stage fate.Stage) lever {
	key := "receivers." + r.Name + "."
	switch {
	case stage == fate.StageFading && r.Scanner.Window > 0 && r.Scanner.Window < r.Scanner.Interval:
		return lever{key + "scan_window", seconds(r.Scanner.Window)}
	case stage == fate.StageFading && r.Weather.Trace != nil:
		if !stated(plan, key+"weather.trace.file") {
			key = ""
		}
		return lever{key + "weather.trace.file", percent(r.Weather.Trace.Fit().Loss, true) + " lost"}
	case stage == fate.StageFading:
		if !stated(plan, key+"weather.loss") {
			key = "" // the weather of all displays holds here too
		}
		return lever{key + "weather.loss", percent(r.Weather.Loss, true)}
	case stage == fate.StageHandler, stage == fate.StageReceiveQueue && r.Handler > r.Draw:
		return lever{key + "handler", seconds(r.Handler)}
	case stage == fate.StageReceiveQueue, max(r.Redraw, r.MinRedraw) < r.Draw:
		return lever{key + "draw", seconds(r.Draw)}
	case r.Redraw > 0:
		return lever{key + "redraw.every", seconds(r.Redraw)}
	default:
		return lever{key + "redraw.on_change", seconds(r.MinRedraw)}
	}
}

// stated reports whether somebody gave the key a value of its own.
func stated(plan *scenarios.Plan, key string) bool {
	for _, a := range plan.Assumptions {
		if a.Key == key {
			return a.Origin != "default"
		}
	}
	return false
}

func seconds(d time.Duration) string { return span(d.Seconds(), true) }

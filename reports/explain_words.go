package reports

import (
	"fmt"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/sim/explain"
)

// stagePhrases say what a term of the age is, to somebody who knows nothing else.
var stagePhrases = [fate.Stages]string{
	fate.StageSource:       "the machine has not sent a newer one yet",
	fate.StageWire:         "the machine has not sent a newer one yet, or it is on the bus",
	fate.StagePickup:       "the bridge's processor has not looked yet",
	fate.StageBusQueue:     "it waits for the bridge's processor",
	fate.StageHold:         "it waits in the bridge for a broadcast to be made up",
	fate.StageRateLimit:    "it waits because the bridge may not send more",
	fate.StageSendQueue:    "its broadcast waits for those before it",
	fate.StageAccess:       "its broadcast waits for a free radio channel",
	fate.StageAirtime:      "its broadcast is on the air",
	fate.StageCollision:    "its broadcast was lost to another sender at the same time",
	fate.StageFading:       "its broadcast was not heard by this display",
	fate.StageReceiveQueue: "the display's processor is busy, it waits its turn",
	fate.StageHandler:      "the display reads it",
	fate.StageRedraw:       "it is in the display's memory and waits to be drawn",
}

// recordPhrases say what became of a broadcast at the display.
var recordPhrases = [fate.Records]string{
	fate.RecordNotPowered:    "the display is switched off",
	fate.RecordNotListening:  "lost: the display is not listening at that moment",
	fate.RecordCollided:      "lost: another sender is on the air at the same time",
	fate.RecordFaded:         "lost: the radio path to the display fails at that moment",
	fate.RecordBitErrors:     "lost: it arrives damaged",
	fate.RecordOutage:        "lost: the display is cut off for a while, as the scenario says",
	fate.RecordQueueFull:     "heard, but lost: too many broadcasts wait in the display",
	fate.RecordWrongLayout:   "heard, but the display does not know its layout",
	fate.RecordDuplicate:     "heard again: the display has it already",
	fate.RecordSame:          "heard: the display has this value already",
	fate.RecordOlder:         "heard, but the display has a newer value already",
	fate.RecordInFlightAtEnd: "still under way when the run ends",
	fate.RecordTaken:         "heard",
}

// framePhrases say what became of a value that left in no broadcast.
var framePhrases = [fate.Frames]string{
	fate.FrameOverrun:       "lost in the bridge: its bus controller's buffer is full",
	fate.FrameMasked:        "turned away by the bridge's acceptance masks",
	fate.FrameBusQueueFull:  "lost in the bridge: its queue from the bus is full",
	fate.FrameNotListed:     "not sent: the bridge is not told to forward this message",
	fate.FrameDivided:       "held back: the bridge forwards only some of these values",
	fate.FrameReplaced:      "not sent: a newer value took its place in the bridge",
	fate.FrameRateLimited:   "lost in the bridge: it may not send more",
	fate.FrameSendQueueFull: "lost in the bridge: too many broadcasts wait to be sent",
	fate.FrameAccessFailed:  "not sent: the radio channel did not become free",
	fate.FrameSendTimeout:   "given up: the radio did not confirm in time that it was sent",
	fate.FrameBadLength:     "not sent: the message has another length than expected",
	fate.FrameBridgeDown:    "lost: the bridge is off or restarting",
	fate.FrameExpired:       "thrown away in the bridge: too old to be sent",
	fate.FrameInsideAtEnd:   "still inside the bridge when the run ends",
	fate.FrameSent:          "sent",
}

// recordLever names the parameter behind the loss of a broadcast at a display.
func recordLever(e *explain.Explanation, f fate.Record) lever {
	key := "receivers." + e.Receiver.Name + "."
	switch f {
	case fate.RecordNotPowered:
		return lever{key + "power_up", seconds(e.Receiver.PowerUp)}
	case fate.RecordNotListening:
		if e.Receiver.Scanner.Window == 0 {
			return lever{"weather.listen", seconds(e.Receiver.Weather.Listen)}
		}
	case fate.RecordOutage:
		return lever{"weather.outages", ""}
	case fate.RecordQueueFull:
		return lever{key + "queue", plural(e.Receiver.Queue, "broadcast")}
	case fate.RecordCollided:
		return leverOf(e.Plan, e.Receiver, *e.Shown, fate.StageCollision)
	}
	return leverOf(e.Plan, e.Receiver, *e.Shown, fate.StageFading)
}

// frameLever names the parameter behind the loss of a value in the bridge.
func frameLever(e *explain.Explanation, f fate.Frame) lever {
	c := &e.Plan.Bridge
	stage := fate.StageHold
	switch f {
	case fate.FrameOverrun:
		if c.Controller.Frames > 0 {
			return lever{"bridge.controller.frames", plural(c.Controller.Frames, "frame")}
		}
		return lever{"bridge.controller.bytes", plural(c.Controller.Bytes, "byte")}
	case fate.FrameMasked:
		return lever{"bridge.controller.masks", ""}
	case fate.FrameBusQueueFull:
		return lever{"bridge.queue", plural(c.QueueDepth, "frame")}
	case fate.FrameNotListed, fate.FrameDivided, fate.FrameBadLength:
		return lever{"bridge.forward", ""}
	case fate.FrameRateLimited:
		stage = fate.StageRateLimit
	case fate.FrameSendQueueFull:
		if p := c.Policy.Kind; p == bridge.Each || p == bridge.Change {
			return lever{"bridge.policy.kind", p.String()} // to put more into a broadcast
		}
		return lever{"bridge.forward", plural(len(c.Forward), "message")}
	case fate.FrameAccessFailed:
		stage = fate.StageAccess
	case fate.FrameSendTimeout:
		return lever{"bridge.send_timeout", seconds(c.SendTimeout)}
	case fate.FrameExpired:
		return lever{"bridge.drop_older_than", seconds(c.DropOlder)}
	}
	return leverOf(e.Plan, e.Receiver, *e.Shown, stage)
}

// several writes n things with a verb that fits.
func several(n int, thing, one, more string) string {
	verb := more
	if n == 1 {
		verb = one
	}
	return fmt.Sprintf("%s %s", plural(n, thing), verb)
}

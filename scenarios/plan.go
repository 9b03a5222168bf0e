package scenarios

import (
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/signal"
	"stalegauge/bus/traffic"
	"stalegauge/radio"
)

// Plan is a scenario worked out into the parts that run: nothing in it is
// unset, every default has been filled in.
type Plan struct {
	Name         string
	Path         string // file it came from, or the name of a built-in scenario
	SHA256       string // of the scenario text after all --set changes
	Seed         uint64
	Replications int
	Duration     time.Duration // of the steady-state window; 0 = worked out by Window
	FixedPhases  bool          // polling tick, table period and redraws start at their own phases instead of random ones
	Phases       []Phase       // in order of time, from 0 on; results are also given for each; nil = one phase, the whole run
	Vehicle                    // the vehicle under design
	Neighbours   []Neighbour   // other vehicles on the same channel
	Radio        radio.Profile
	Background   []radio.Background
	Milliwatt    float64 // radiated power; 0 = nobody said
	Utilisation  float64 // largest medium utilisation, see radio.MediumUtilisation; 0 = no limit
	Assumptions  []Assumption
	Warnings     []string
}

// Phase is a part of the run with results of its own. It ends where the next one
// begins.
type Phase struct {
	Name string
	From time.Duration
}

// Vehicle is a bus with its bridge and its receivers.
type Vehicle struct {
	Bus       Bus
	Bridge    bridge.Config // Watch is nil: whoever runs the plan sets it
	Receivers []Receiver
	Selectors map[bus.ID]*signal.Selector // of the identifiers that have pages
	// Common is a cause of loss that all receivers share, on top of their own
	// weather; nil = none.
	Common *radio.Weather
}

// Neighbour is a number of equal vehicles on the same channel, each with its own
// copy of bus, bridge and receivers. Copy i uses the set identifier
// Bridge.Layout.Set + i.
type Neighbour struct {
	Name  string
	Count int
	From  time.Duration // in range from here
	Until time.Duration // to here; 0 = to the end
	Power float64       // level at the receivers in dB, against 0 of the vehicle under design
	Vehicle
}

// Stations is the number of bridges on the channel.
func (p *Plan) Stations() int {
	n := 1
	for i := range p.Neighbours {
		n += p.Neighbours[i].Count
	}
	return n
}

// Selector returns the page selector of an identifier, nil when it has no pages.
func (v *Vehicle) Selector(id bus.ID) *signal.Selector { return v.Selectors[id] }

// Bus is the traffic of the bus: a message set, or a capture. Beside a capture
// the messages only say where signals lie, and are not sent.
type Bus struct {
	Capture     *CapturePlan // nil = the message set
	BitRate     int          // bit/s in the arbitration phase
	DataBitRate int          // bit/s in the data phase of FD frames; 0 = BitRate
	Messages    []traffic.Message
	Timeline    []traffic.Episode // in order of time; nil = awake all the time

	BitErrorRate float64 // chance that a bit of a frame is destroyed
	ErrorFrames  bool    // the controller hands error frames to the bridge
}

// Receiver is one display.
type Receiver struct {
	Name      string
	PowerUp   time.Duration
	Scanner   radio.Scanner // on profiles that advertise
	Weather   radio.Weather // its ListenFrom and AwayFrom hold with Plan.FixedPhases; otherwise any phase is as likely
	Buffers   int           // the radio driver's own buffers, broadcasts
	Copy      time.Duration // radio task's time to move one broadcast into the queue
	Queue     int           // receive queue, broadcasts that wait
	QueueFull QueueRule
	Handler   time.Duration // processor time a broadcast
	Redraw    time.Duration // period of the redraws; 0 = on change
	Phase     time.Duration // first redraw after power-up, with Plan.FixedPhases
	MinRedraw time.Duration // on change: shortest time between the starts of two redraws
	Draw      time.Duration // time one redraw takes
	Shows     []Shown
}

// QueueRule says what a full receive queue loses.
type QueueRule uint8

// The rules.
const (
	QueueDropNew QueueRule = iota
	QueueDropOldest
)

// Shown is a signal on a display.
type Shown struct {
	Signal signal.Definition
	ID     bus.ID
	Period time.Duration // between updates on the bus, pages included; of a capture in the mean, 0 when it has fewer than two
	Limit  *Limit        // nil when nobody asked for one
}

// Place says where an age counts.
type Place uint8

// The places.
const (
	AtGlass Place = iota
	InMemory
)

// String returns the place as scenarios and reports write it.
func (p Place) String() string { return [...]string{"glass", "memory"}[p] }

// Limit is what "fresh enough" means for a signal: at most 1-Quantile of the
// observed time may be spent with an age over Value.
type Limit struct {
	At       Place
	Quantile float64 // 0..1
	Value    time.Duration
}

// Assumption is a value that the result rests on and where it comes from.
type Assumption struct {
	Key    string // path in the scenario, as --set takes it
	Value  string // with its unit
	Origin string // "scenario", "command line", "default"
	Reason string // for a default: where its value comes from
}

// Window returns the steady-state window: for each receiver the instant from
// which its ages count, and the common end. Both are fixed before the run.
func (p *Plan) Window() (from []time.Duration, end time.Duration) {
	var slowest time.Duration
	from = make([]time.Duration, len(p.Receivers))
	for i, r := range p.Receivers {
		var slow time.Duration
		for _, s := range r.Shows {
			slow = max(slow, s.Period)
		}
		slowest = max(slowest, slow)
		from[i] = r.PowerUp + max(time.Second, 2*slow)
		end = max(end, from[i])
	}
	if p.Duration > 0 {
		return from, end + p.Duration
	}
	return from, p.autoEnd(end, 20*slowest)
}

// shortestWindow is how long ages are counted at least where nobody says how
// long.
const shortestWindow = 60 * time.Second

// autoEnd is the end of the run where nobody gave a duration. The last part of a
// timeline has no end of its own: it lasts as long as a run without parts. More
// of a capture than one round of it would bring nothing new, and without a loop
// there is no more than what the file holds.
func (p *Plan) autoEnd(latest, wanted time.Duration) time.Duration {
	c := p.Bus.Capture
	if c != nil {
		wanted = min(wanted, c.Round)
	}
	length := max(shortestWindow, wanted)
	end := latest + length
	if n := len(p.Phases); n > 0 {
		end = max(end, p.Phases[n-1].From+length)
	}
	if c != nil && !c.Loop {
		if left := c.Round - c.Offset; left > latest {
			end = min(end, left)
		}
	}
	return end
}

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
	Milliwatt    float64   // radiated power; 0 = nobody said
	Utilisation  float64   // largest medium utilisation, see radio.MediumUtilisation; 0 = no limit
	Needed       bool      // the forward list holds what displays need, and was made for that
	Shape        string    // name of the controller's acceptance filters; "" = unknown
	Masks        *MaskPlan // nil = the controller lets everything pass
	Size         SizePlan  // what the command size tries; a run does not ask for it
	Power        PowerPlan // likewise
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
	Resets    []bridge.Span               // of the bridge, in order of time: at From it loses all, from Until on it works again
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
	Database    *signal.Database  // says where signals lie; nil = none

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
	// Foreign says that it does not understand the bridge's layout: handler time is
	// spent all the same.
	Foreign   bool
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
	Class  Class         // how the signal moves
	Expire time.Duration // a value older than this is not shown as if it were good; 0 = it is
	Marked Marked        // what is shown of it then
	// FalseAlarms is how many an hour the expiry that the report suggests may
	// cause.
	FalseAlarms float64
	Firm        Firm           // of the deadlines that a limit of age at the glass sets
	Labels      []signal.Label // names of values, from the signal database
}

// FollowsValues reports whether what the signal shows matters, and not only how
// old it is.
func (s *Shown) FollowsValues() bool {
	return s.Class != Cyclic || s.Limit != nil && s.Limit.Of == OfChange
}

// AgeLimit is the limit of the signal's age, nil when it has none or one that speaks
// of something else.
func (s *Shown) AgeLimit() *Limit {
	if s.Limit == nil || s.Limit.Of != OfAge {
		return nil
	}
	return s.Limit
}

// Class says how a signal moves, and so which measure speaks for it.
type Class uint8

// The classes.
const (
	Cyclic Class = iota // moves all the time: its age counts
	Slow                // moves slowly: its age counts
	State               // changes now and then: how late a change is shown counts
	Event               // a short pulse: whether and how late it is shown counts
	Static              // set once: how soon it is shown counts
)

var classWords = [...]string{"cyclic", "slow", "state", "event", "static"}

// String returns the class as scenarios and reports write it.
func (c Class) String() string { return classWords[c] }

// Marked says what a display shows of a value that has expired.
type Marked uint8

// What is shown.
const (
	MarkedLast  Marked = iota // the value, as if it were good
	MarkedGrey                // the value, marked as old
	MarkedBlank               // nothing
)

var markedWords = [...]string{"last", "grey", "blank"}

// String returns it as scenarios and reports write it.
func (m Marked) String() string { return markedWords[m] }

// Firm asks that of every Of deadlines in a row at least Met are met. Of 0 asks
// for nothing.
type Firm struct{ Met, Of int }

// Measure is what a limit speaks of.
type Measure uint8

// The measures.
const (
	OfAge          Measure = iota // the age, weighted by time
	OfChange                      // the time from a change to its showing, one a change
	OfFirstPicture                // the time from power-up to the first value, one a start
)

var measureWords = [...]string{"age", "change", "first_picture"}

// String returns the measure as scenarios and reports write it.
func (m Measure) String() string { return measureWords[m] }

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
// observed time may be spent with an age over Value, or at most that share of the
// changes or starts may take longer.
type Limit struct {
	Of       Measure
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

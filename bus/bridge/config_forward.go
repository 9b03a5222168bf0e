package bridge

import (
	"time"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

// Forward is one entry of the forward list.
type Forward struct {
	ID       bus.ID
	Selector *signal.Selector // nil when the identifier has no pages
	Divide   int              // every Divide-th frame passes; 0 or 1 = all
	MinGap   time.Duration    // cap: a frame closer than this after the last that passed is held back; 0 = none
	Length   int              // bytes of data that the layout foresees for it

	Policy  int     // which policy it goes by: 0 = Config.Policy, n = Config.Policies[n-1]
	Class   int     // priority, 0 to 255: what has a higher number waits while anything with a lower one could leave
	Every   int     // Table: it is in every Every-th round; 0 = 1, or by the limits with Policy.ByLimits
	Watched Watched // Change, Slack and Policy.Latch: the changes that count
	Need    Need    // Slack and Policy.ByLimits: what the displays ask for
	Fields  []Field // LayoutPacked: what is needed of the data, in this order; none = all of it
}

// Watched says which changes from one value to another count. A changed length
// always does. The zero value watches every bit.
type Watched struct {
	Mask  []byte // bits of the data; bytes beyond its end are not watched. nil = all bits, or none where there are Bands
	Bands []Band
}

// Band is a signal whose change counts when its physical value has moved by more
// than DeadBand, in the signal's unit, or has come or gone.
type Band struct {
	Signal   signal.Definition // on another page than the record's it does not count
	DeadBand float64           // 0 = every change of the value
}

// Need is what the displays ask of a record.
type Need struct {
	Views  []View        // by whom it is shown; at each age the most urgent counts
	State  bool          // all of its shown signals are states, so that a change is what counts
	Period time.Duration // between two values at the source, pages included
}

// View is a signal of the record on a display.
type View struct {
	Limit   time.Duration // age allowed at the glass; 0 = ten times Need.Period
	Display time.Duration // what the display takes of it: redraw period and draw time
}

// limitPeriods is the limit of what has none, in periods of its source.
const limitPeriods = 10

// limit returns the tightest limit that holds for the record when it leaves the
// bridge, at least 1 ns, or 0 if nobody asks for anything.
func (n *Need) limit() time.Duration {
	least := never
	for _, v := range n.Views {
		least = min(least, max(n.limitOf(v)-v.Display, 1))
	}
	switch {
	case least < never:
		return least
	default:
		return limitPeriods * n.Period
	}
}

func (n *Need) limitOf(v View) time.Duration {
	if v.Limit > 0 {
		return v.Limit
	}
	return limitPeriods * n.Period
}

// Field is a run of bits of the data, as in [signal.Definition].
type Field struct {
	Start     int
	Bits      int // 1..64
	BigEndian bool
	Page      int // the page that has it, or [signal.AnyPage]
}

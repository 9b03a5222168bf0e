package sim

import (
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/bus/signal"
	"stalegauge/scenarios"
	"stalegauge/sim/age"
)

// sharedStages are the stages that all receivers of a vehicle have in common:
// up to the end of the air, heard by anybody or not.
const sharedStages = int(fate.StageCollision) + 1

// group is what all signals of one identifier and page have in common: their
// values pass every stage together.
type group struct {
	index  int // in catalogue.groups
	id     bus.ID
	page   int // signal.AnyPage: every page of the identifier
	passed [sharedStages]age.Passage
	floors []*age.Track // open tracks of the stage "received on the bus"

	histories    []*history          // of the signals whose values are followed
	waiting      []waiter            // displays with deadlines
	releases     ring[time.Duration] // valid-times received on the bus that deadlines may still ask for
	firstRelease int64               // number of the oldest
}

// receive notes that a frame with a value is received on the bus.
func (g *group) receive(f *bus.Frame) {
	g.note(f.At, f.Released)
	g.release(f.At, f.Released)
	for _, h := range g.histories {
		h.receive(f)
	}
}

// note notes the instants of a value received on the bus.
func (g *group) note(at, validAt time.Duration) {
	g.passed[fate.StageWire].Pass(at, at, validAt)
	for _, floor := range g.floors {
		floor.Update(at, validAt)
	}
}

// carrier is an identifier that at least one receiver of the vehicle shows
// something of.
type carrier struct {
	selector *signal.Selector
	any      *group         // nil when nothing is shown that lies on every page
	pages    map[int]*group // by value of the selector
}

// groups returns the groups that a frame of the given page updates; either may
// be nil.
func (c *carrier) groups(page int) (any, paged *group) {
	if len(c.pages) > 0 {
		paged = c.pages[page]
	}
	return c.any, paged
}

// pass notes that a value of the given page passes a stage.
func (c *carrier) pass(stage fate.Stage, page int, now, at, validAt time.Duration) {
	any, paged := c.groups(page)
	if any != nil {
		any.passed[stage].Pass(now, at, validAt)
	}
	if paged != nil {
		paged.passed[stage].Pass(now, at, validAt)
	}
}

// catalogue finds the groups of a vehicle by identifier, by message and by slot
// of the forward list.
type catalogue struct {
	table    bus.Table
	carriers []*carrier
	groups   []*group
	message  []*carrier // by index of the message set, nil where nothing is shown
	slot     []*carrier // by slot of the forward list, nil where nothing is shown
}

func newCatalogue(v *scenarios.Vehicle) *catalogue {
	c := &catalogue{}
	for _, r := range v.Receivers {
		for _, s := range r.Shows {
			c.group(s.ID, s.Signal.Page, v.Selector(s.ID))
		}
	}
	for _, m := range v.Bus.Messages {
		c.message = append(c.message, c.carrier(m.ID))
	}
	for _, f := range v.Bridge.Forward {
		c.slot = append(c.slot, c.carrier(f.ID))
	}
	return c
}

func (c *catalogue) carrier(id bus.ID) *carrier {
	if i, ok := c.table.Lookup(id); ok {
		return c.carriers[i]
	}
	return nil
}

// know makes a carrier of an identifier that nobody shows.
func (c *catalogue) know(id bus.ID, selector *signal.Selector) {
	if c.carrier(id) == nil {
		c.table.Add(id)
		c.carriers = append(c.carriers, &carrier{selector: selector, pages: map[int]*group{}})
	}
}

// group returns the group of an identifier and page, made where it is new.
func (c *catalogue) group(id bus.ID, page int, selector *signal.Selector) *group {
	k := c.carrier(id)
	if k == nil {
		k = &carrier{selector: selector, pages: map[int]*group{}}
		c.table.Add(id)
		c.carriers = append(c.carriers, k)
	}
	if selector == nil || page == signal.AnyPage {
		if k.any == nil {
			k.any = c.newGroup(id, signal.AnyPage)
		}
		return k.any
	}
	if k.pages[page] == nil {
		k.pages[page] = c.newGroup(id, page)
	}
	return k.pages[page]
}

func (c *catalogue) newGroup(id bus.ID, page int) *group {
	g := &group{index: len(c.groups), id: id, page: page}
	c.groups = append(c.groups, g)
	return g
}

// page returns the page of a frame of this carrier.
func (c *carrier) page(f *bus.Frame) int {
	if c.selector == nil || len(c.pages) == 0 {
		return bridge.NoPage
	}
	if page, ok := c.selector.Page(f.Payload()); ok {
		return page
	}
	return bridge.NoPage
}

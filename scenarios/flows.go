package scenarios

import (
	"stalegauge/bus"
	"stalegauge/bus/mask"
)

// Flows returns the traffic of the bus by identifier, in the mean: of a message
// set while the bus is awake and no storm blows, changes counted at the rate of
// their law; of a capture over all of it. What never comes is left out.
func (b *Bus) Flows() []mask.Flow {
	var flows []mask.Flow
	add := func(id bus.ID, remote bool, perSecond float64) {
		if perSecond > 0 {
			flows = append(flows, mask.Flow{ID: id, Remote: remote, PerSecond: perSecond})
		}
	}
	if c := b.Capture; c != nil {
		if c.Summary == nil || c.Summary.Span <= 0 {
			return nil
		}
		for i, s := range c.Summary.IDs {
			data := c.Carried[i].Data
			add(s.ID, false, float64(data)/c.Summary.Span.Seconds())
			add(s.ID, true, float64(s.Frames-data)/c.Summary.Span.Seconds())
		}
		return flows
	}
	for i := range b.Messages {
		m := &b.Messages[i]
		perSecond := b.framesOf(i)
		if m.Events != nil {
			for _, field := range m.Events.OnChange {
				// A square and a pulse change twice in each turn.
				if every := m.Fields[field].Value.Every; every > 0 {
					perSecond += 2 / every.Seconds()
				}
			}
		}
		add(m.ID, m.Remote, perSecond)
	}
	return flows
}

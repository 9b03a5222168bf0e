package scenarios

import "stalegauge/bus"

// FramesPerSecond returns how many frames a second the message set asks for in
// the mean while the bus is awake. Releases on changes are not counted: they
// follow from the values. Of a capture it is the mean over all of it.
func (b *Bus) FramesPerSecond() float64 {
	if c := b.Capture; c != nil {
		if c.Summary.Span <= 0 {
			return 0
		}
		return float64(c.Summary.Report.Frames-1) / c.Summary.Span.Seconds()
	}
	sum := 0.0
	for i := range b.Messages {
		sum += b.framesOf(i)
	}
	return sum
}

func (b *Bus) framesOf(i int) float64 {
	m := &b.Messages[i]
	perSecond := 0.0
	if m.Period > 0 {
		perSecond = 1 / (m.Period.Seconds() * (1 + m.Drift*1e-6))
	}
	if e := m.Events; e != nil {
		if e.Every > 0 {
			perSecond += float64(max(1, e.Group)) / e.Every.Seconds()
		}
		if e.Heartbeat > 0 {
			perSecond = max(perSecond, 1/e.Heartbeat.Seconds())
		}
	}
	return perSecond
}

// Load returns the share of the bus that the message set asks for, 1 = all of
// it, counting no stuff bits: the true load is higher by up to a fifth.
func (b *Bus) Load() float64 {
	if c := b.Capture; c != nil {
		if c.Summary.Span <= 0 {
			return 0
		}
		return c.wire.Seconds() / c.Summary.Span.Seconds()
	}
	sum := 0.0
	for i := range b.Messages {
		m := &b.Messages[i]
		kind := bus.Data
		if m.Remote {
			kind = bus.Remote
		}
		bits := bus.PlainBits(m.ID.IsExtended(), kind, m.Flags, m.Length).WithIntermission()
		fast := b.DataBitRate
		if fast == 0 {
			fast = b.BitRate
		}
		sum += b.framesOf(i) * bits.Duration(b.BitRate, fast).Seconds()
	}
	return sum
}

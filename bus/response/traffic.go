package response

import (
	"fmt"
	"math"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/traffic"
)

// Longest returns the longest time on the wire that a frame of this width, kind,
// format and length can take, intermission included, rounded up.
func Longest(id bus.ID, kind bus.Kind, flags bus.Flags, length, bitRate, dataBitRate int) time.Duration {
	bits := bus.MaxBits(id.IsExtended(), kind, flags, length).WithIntermission()
	d := bits.Duration(bitRate, dataBitRate)
	if int64(time.Second)%int64(bitRate) != 0 || bits.Data > 0 && int64(time.Second)%int64(dataBitRate) != 0 {
		d += time.Nanosecond
	}
	return d
}

// Bus is a bus as package traffic runs it.
type Bus struct {
	Messages     []traffic.Message
	BitRate      int // bit/s
	DataBitRate  int // bit/s in the data phase; 0 = BitRate
	Timeline     []traffic.Episode
	BitErrorRate float64
}

// Of returns the set to analyse for a bus, its messages in the same order, and
// what the bounds do not cover, a sentence each. A message released at instants
// that may come arbitrarily close has no Releases, and one of the sentences.
func Of(b Bus) (Set, []string) {
	s := Set{BitRate: b.BitRate}
	if b.DataBitRate == 0 {
		b.DataBitRate = b.BitRate
	}
	var open []string
	slowest := time.Duration(0)
	for i := range b.Messages {
		m := &b.Messages[i]
		kind := bus.Data
		if m.Remote {
			kind = bus.Remote
		}
		r, why := releases(m)
		if why != "" {
			open = append(open, fmt.Sprintf("%s (%s) %s", m.ID, m.Name, why))
		}
		for _, stream := range r {
			slowest = max(slowest, stream.Distance+stream.Jitter)
		}
		s.Messages = append(s.Messages, Message{
			Name: m.Name, ID: m.ID, Remote: m.Remote, Releases: r,
			Longest: Longest(m.ID, kind, m.Flags, m.Length, b.BitRate, b.DataBitRate),
		})
	}
	if b.BitErrorRate > 0 {
		open = append(open, fmt.Sprintf("bit errors (1 in %.3g bits): each destroyed frame is sent again", 1/b.BitErrorRate))
	}
	return s, append(open, timeline(b.Timeline, slowest)...)
}

// releases returns how a message is released, and in words why that cannot be
// told.
func releases(m *traffic.Message) (all []Releases, why string) {
	slow := 1 + m.Drift*1e-6
	distance := func(d time.Duration) time.Duration {
		// Ticks fall on whole nanoseconds, so that two may be closer by less than one.
		return max(1, time.Duration(math.Floor(float64(d)*slow)))
	}
	if m.Period > 0 {
		all = append(all, Releases{distance(m.Period), m.Jitter})
	}
	e := m.Events
	if e == nil {
		return all, ""
	}
	beat := time.Duration(0)
	if e.Heartbeat > 0 {
		beat = distance(e.Heartbeat)
	}
	if len(e.OnChange) > 0 || e.Every > 0 {
		if e.MinGap == 0 {
			return nil, "is sent on events without a shortest distance (min_gap)"
		}
		gap := e.MinGap
		if beat > 0 {
			gap = min(gap, beat) // a heartbeat does not keep the gap
		}
		return append(all, Releases{Distance: gap}), ""
	}
	if beat > 0 {
		all = append(all, Releases{Distance: beat})
	}
	return all, ""
}

// timeline returns what a timeline does that the releases do not say. Releases
// begin anew when the bus wakes: after a short sleep they may be closer than
// their period.
func timeline(episodes []traffic.Episode, slowest time.Duration) (open []string) {
	for i, e := range episodes {
		if e.Storm != nil {
			open = append(open, fmt.Sprintf("the storm in %q", e.Name))
		}
		if e.Asleep && (i+1 < len(episodes) && episodes[i+1].At-e.At < slowest) {
			open = append(open, fmt.Sprintf("the short sleep %q: releases begin anew after it", e.Name))
		}
	}
	return open
}

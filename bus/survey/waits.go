package survey

import (
	"fmt"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/response"
)

// Wait is how long a message may have to wait for the bus.
type Wait struct {
	ID      bus.ID
	Name    string
	Period  time.Duration // shortest distance of its releases; 0 = there is no bound
	Longest time.Duration // of a frame on the wire, intermission included
	Least   time.Duration // without any stuff bit that is not forced; 0 = not worked out
	response.Bound
	Open bool // released at distances that nobody knows: there is no bound
}

// WaitsOf returns the bounds of a bus that runs, by its messages, and what they do
// not cover.
func WaitsOf(b response.Bus) ([]Wait, []string) {
	set, open := response.Of(b)
	return waits(set), open
}

// Declared returns the bounds of messages of which only layouts are known: each is
// taken to be sent by its stated period and without jitter. Those without a
// period are left out of the sums, which the sentences say.
func (l *Layouts) Declared(bitRate, dataBitRate int) ([]Wait, []string) {
	set, silent, impossible := response.Set{BitRate: bitRate}, 0, 0
	dataBitRate = max(bitRate, dataBitRate)
	var least []time.Duration
	for i := range l.All {
		m := &l.All[i]
		flags := bus.Flags(0)
		if m.FD {
			flags = bus.FD
			if dataBitRate > bitRate {
				flags |= bus.BitRateFast
			}
		}
		if bus.CheckFormat(m.ID, bus.Data, flags, m.Length) != nil {
			impossible++
			continue
		}
		message := response.Message{Name: m.Name, ID: m.ID, Longest: response.Longest(m.ID, bus.Data, flags, m.Length, bitRate, dataBitRate)}
		if m.Period > 0 {
			message.Releases = []response.Releases{{Distance: m.Period}}
		} else {
			silent++
			set.Blocking = max(set.Blocking, message.Longest)
		}
		set.Messages = append(set.Messages, message)
		shortest := bus.MinBits(m.ID.IsExtended(), bus.Data, flags, m.Length).WithIntermission()
		least = append(least, shortest.Duration(bitRate, dataBitRate))
	}
	all := waits(set)
	for i := range all {
		all[i].Least = least[i]
	}
	var open []string
	if silent > 0 {
		open = append(open, fmt.Sprintf("messages without a cycle time (%d): they count as one frame that is in the way, and not as load", silent))
	}
	if impossible > 0 {
		open = append(open, fmt.Sprintf("messages of a length that no frame has (%d): left out", impossible))
	}
	return all, append(open, "jitter of the senders, which a database does not state")
}

// Unstated tells of what was heard beside the messages that bounds were worked out
// for: it takes part in the arbitration, so that the bounds hold without it only.
func Unstated(inv *Inventory, stated []Wait) []string {
	known := map[bus.ID]bool{}
	for _, w := range stated {
		known[w.ID] = true
	}
	others, load := 0, 0.0
	for i := range inv.IDs {
		if !known[inv.IDs[i].ID] {
			others++
			load += inv.IDs[i].Load
		}
	}
	if others == 0 {
		return nil
	}
	return []string{fmt.Sprintf("identifiers that were heard and have no entry in the database (%d of %d, %.3g %% of the bus): a message may wait for them too, and longer than its bound",
		others, len(inv.IDs), 100*load)}
}

func waits(set response.Set) (all []Wait) {
	for i, b := range response.Analyze(set) {
		m := &set.Messages[i]
		w := Wait{ID: m.ID, Name: m.Name, Longest: m.Longest, Bound: b, Open: len(m.Releases) == 0}
		for _, r := range m.Releases {
			if w.Period == 0 || r.Distance < w.Period {
				w.Period = r.Distance
			}
		}
		all = append(all, w)
	}
	return all
}

// LoadOf returns the share of the bus that messages with a period ask for, with
// the longest frames there can be and with frames without stuff bits.
func LoadOf(waits []Wait) (most, least float64) {
	for _, w := range waits {
		if !w.Open {
			most += w.Longest.Seconds() / w.Period.Seconds()
			least += w.Least.Seconds() / w.Period.Seconds()
		}
	}
	return most, least
}

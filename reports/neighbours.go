package reports

import (
	"strconv"

	"stalegauge/bus/fate"
	"stalegauge/sim/study"
)

// neighbours writes what the other vehicles on the channel sent and how much of
// it reached their own displays.
func neighbours(p *page, r *study.Result) {
	if len(r.Neighbours) == 0 {
		return
	}
	p.heading("Other vehicles on the channel, all of a name together")
	t := newTable(p, "vehicles", "how\nmany", "on air\n% of time", "broadcasts\nper s", "delivered\n% of records")
	for _, n := range r.Neighbours {
		t.row(clean(n.Name), strconv.Itoa(n.Count), bare(n.OwnShare.Value, n.OwnShare.Defined),
			plain(n.BroadcastsPerSecond.Value, n.BroadcastsPerSecond.Defined),
			bare(n.DeliveredShare.Value, n.DeliveredShare.Defined))
	}
	t.write()
	for _, n := range r.Neighbours {
		p.paragraph("  "+clean(n.Name)+"  ", recordTally(&n.RecordFates))
	}
}

type jsonNeighbour struct {
	Name                string          `json:"name"`
	Count               int             `json:"count"`
	OwnShare            *jsonValue      `json:"own_share"`
	BroadcastsPerSecond *jsonValue      `json:"broadcasts_per_s"`
	DeliveredShare      *jsonValue      `json:"delivered_share"`
	RecordFates         ordered[uint64] `json:"record_fates"`
}

// neighbourList is the other vehicles as JSON, empty when there are none.
func neighbourList(r *study.Result) []jsonNeighbour {
	list := []jsonNeighbour{}
	for _, n := range r.Neighbours {
		list = append(list, jsonNeighbour{n.Name, n.Count, value(n.OwnShare), value(n.BroadcastsPerSecond),
			value(n.DeliveredShare), ledger[fate.Record](n.RecordFates[:])})
	}
	return list
}

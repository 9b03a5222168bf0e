package study

import (
	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim"
)

// Neighbour is what the vehicles of one name did, all copies together.
type Neighbour struct {
	Name                string
	Count               int
	OwnShare            Value // energy on air, of the time
	BroadcastsPerSecond Value // repeats included
	// DeliveredShare is the share of records that reached a receiver of their own
	// set, of those whose end was seen while the receiver was powered.
	DeliveredShare Value
	RecordFates    [fate.Records]uint64
}

// neighbourPool gathers the neighbours of one name over all replications.
type neighbourPool struct {
	own, broadcasts, delivered ratio
	fates                      [fate.Records]uint64
}

func (n *neighbourPool) add(run *sim.NeighbourRun, air *sim.Air) {
	window := seconds(air.Window)
	n.own.add(seconds(run.Own), window)
	n.broadcasts.add(float64(run.Broadcasts), window)
	arrived, expected := Delivered(&run.RecordFates)
	n.delivered.add(float64(arrived), float64(expected))
	for k, c := range run.RecordFates {
		n.fates[k] += c
	}
}

func (n *neighbourPool) result(spec *scenarios.Neighbour, alpha float64) Neighbour {
	return Neighbour{
		Name: spec.Name, Count: spec.Count, RecordFates: n.fates,
		OwnShare:            n.own.value(alpha, 0),
		BroadcastsPerSecond: n.broadcasts.value(alpha, 0),
		DeliveredShare:      n.delivered.value(alpha, 1),
	}
}

// Delivered returns how many records of a ledger reached their receiver and how
// many could have: those sent while the receiver was off or still under way at
// the end are in neither.
func Delivered(fates *[fate.Records]uint64) (arrived, expected uint64) {
	for w, n := range fates {
		switch fate.Record(w) {
		case fate.RecordNotPowered, fate.RecordInFlightAtEnd:
		case fate.RecordTaken, fate.RecordSame, fate.RecordOlder, fate.RecordDuplicate:
			arrived += n
			expected += n
		default:
			expected += n
		}
	}
	return arrived, expected
}

package metrics

import (
	"fmt"
	"math"
	"slices"
	"time"

	"stalegauge/bus/fate"
	"stalegauge/scenarios"
	"stalegauge/sim"
)

// Epoch is the instant at which every simulated run begins in a history. It is one
// and the same, so that designs lie on top of each other, and past, since a server
// with blocks of the future refuses everything else.
var Epoch = time.Date(2025, time.January, 1, 0, 0, 0, 0, time.UTC)

// MostSamples is how many samples a history holds at most, by an estimate before the
// run: about 800 MB in memory and 7 GB of text.
const MostSamples = 50_000_000

// History records replications as time series and writes them as OpenMetrics text.
//
// A series begins with 0 where what it counts begins: ledgers at instant 0, the
// medium at its window, the figures of a receiver at its window. It goes on at
// every whole step and ends at the end of the run, so that last less first is the
// figure of the report.
type History struct {
	reader *reader
	design string
	looks  []time.Duration // ascending, all but the end
	grid   []bool          // of looks: a whole step
	runs   []recording     // by replication

	foreseen float64 // samples
}

// recording is one replication: the values of every column at each look and at
// the end, in the order of walk.
type recording struct {
	rows    [][]float64
	columns []column // of its last row
}

// column says which part of a row belongs to which metric.
type column struct {
	family *family
	from   time.Duration
	labels []string
	at     int // first value in a row; a histogram has its buckets, count and sum
}

// NewHistory prepares for a number of replications of a plan and a step of whole
// milliseconds. design is the name that tells this run from others. It fails where
// the history would become too large.
func NewHistory(plan *scenarios.Plan, design string, replications int, step time.Duration) (*History, error) {
	if step < time.Millisecond || step%time.Millisecond != 0 {
		return nil, fmt.Errorf("found %v, expected a step of whole milliseconds", step)
	}
	r := newReader(plan)
	h := &History{reader: r, design: design, runs: make([]recording, replications)}
	series := int(fate.Frames) + 20 // of bus, bridge and medium
	for i := range plan.Receivers {
		series += int(fate.Records) + int(fate.Foreigns)
		for k := range plan.Receivers[i].Shows {
			series += 2*(len(AgeBounds)+3) + 3
			if plan.Receivers[i].Shows[k].AgeLimit() != nil {
				series += 3
			}
		}
	}
	h.foreseen = float64(series) * float64(r.end/step+2) * float64(replications)
	if h.foreseen > MostSamples {
		return nil, fmt.Errorf("%d series every %v for %v, %d times: about %.0f million samples, at most %d million are written; take a longer step, fewer replications or a shorter duration",
			series, step, r.end, replications, h.foreseen/1e6, MostSamples/1_000_000)
	}
	h.looks = append(h.looks, 0, r.first)
	h.looks = append(h.looks, r.from...)
	for at := step; at < r.end.Truncate(time.Millisecond); at += step {
		h.looks = append(h.looks, at)
	}
	slices.Sort(h.looks)
	h.looks = slices.Compact(h.looks)
	for _, at := range h.looks {
		h.grid = append(h.grid, at%step == 0 && at > 0)
	}
	return h, nil
}

// Looks are the instants at which See is to be called inside each replication.
func (h *History) Looks() []time.Duration { return h.looks }

// See records a look inside a replication. Looks of different replications may come
// from several goroutines.
func (h *History) See(replication int, s *sim.Snapshot) {
	h.runs[replication].record(h.reader.inside(s))
}

// Add records the end of a replication.
func (h *History) Add(run *sim.Replication) {
	r := &h.runs[run.Index]
	r.record(h.reader.ended(run, false))
	r.settle()
}

// record appends a row.
func (r *recording) record(s *Snapshot) {
	var row []float64
	if n := len(r.rows); n > 0 {
		row = make([]float64, 0, len(r.rows[n-1]))
	}
	r.columns = r.columns[:0]
	walk(s, func(f *family, from time.Duration, p point, labels ...string) {
		r.columns = append(r.columns, column{family: f, from: from, labels: labels, at: len(row)})
		if f.kind != histogram {
			row = append(row, p.value)
			return
		}
		for _, n := range p.within {
			row = append(row, float64(n))
		}
		row = append(row, float64(p.count), p.sum)
	})
	if n := len(r.rows); n > 0 && len(r.rows[n-1]) != len(row) {
		panic("metrics: a row of another shape than the one before")
	}
	r.rows = append(r.rows, row)
}

// settle takes back what turned out otherwise: a frame that counted as lost may
// have been sent after all. A counter never falls, so it shows at each look what
// was to stay.
func (r *recording) settle() {
	for i, c := range r.columns {
		if c.family.kind == gauge {
			continue
		}
		next := len(r.rows[0])
		if i+1 < len(r.columns) {
			next = r.columns[i+1].at
		}
		for at := c.at; at < next; at++ {
			for k := len(r.rows) - 2; k >= 0; k-- {
				r.rows[k][at] = math.Min(r.rows[k][at], r.rows[k+1][at])
			}
		}
	}
}

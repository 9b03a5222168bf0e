package survey

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/traffic"
)

// Fit returns a message set that resembles what was found, the most urgent
// message first, and what it leaves out, a sentence each.
//
// Periods are the means found. The jitter of each release is chosen so that the
// set, run on a bus of the same rate, spreads its intervals as wide as was found:
// the set is run for a minute and each jitter corrected by what the waiting for
// the bus adds, twice over. What follows no clock becomes events at random
// instants with the same mean distance. Bytes of which nothing is known keep the
// values of a frame of mean length.
func Fit(inv *Inventory) ([]traffic.Message, []string) {
	var messages []traffic.Message
	var found []*ID
	var notes []string
	ids := slices.Clone(inv.IDs)
	slices.SortFunc(ids, func(a, b ID) int { return cmp.Compare(a.ID.Priority(false), b.ID.Priority(false)) })
	var once []string
	for i := range ids {
		d := &ids[i]
		if d.MeanExact <= 0 {
			once = append(once, d.ID.String())
			continue
		}
		m, more := d.fit()
		notes = append(notes, more...)
		messages, found = append(messages, m), append(found, d)
	}
	if len(once) > 0 {
		notes = append(notes, "met only once and left out: "+strings.Join(once, ", "))
	}
	for _, s := range inv.Storms {
		notes = append(notes, fmt.Sprintf("the storm of %s at %v is spread over the whole time", s.ID, s.At))
	}
	if len(messages) > 0 {
		for range corrections {
			correct(messages, found, inv.BitRate)
		}
	}
	return messages, notes
}

// The bounds of a scenario for what is fitted.
const (
	leastPeriod = 100 * time.Microsecond
	mostPeriod  = time.Hour
	mostClassic = 8 // bytes of a classic frame
)

// fit makes the message of an identifier.
func (d *ID) fit() (m traffic.Message, notes []string) {
	m = traffic.Message{Name: d.Name, ID: d.ID, Length: len(d.Typical)}
	if m.Name == "" {
		m.Name = "Id" + d.ID.String()
	}
	switch {
	case d.Remotes == d.Frames:
		m.Remote, m.Length = true, d.asked
	case d.Remotes > 0:
		notes = append(notes, fmt.Sprintf("%s: the %d remote frames are fitted as data frames", d.ID, d.Remotes))
	}
	if data := d.Frames - d.Remotes; 2*d.Flexible > data || m.Length > mostClassic {
		m.Flags = bus.FD
		if 2*d.Fast > data {
			m.Flags |= bus.BitRateFast
		}
	}
	if d.MinLength != d.Length {
		notes = append(notes, fmt.Sprintf("%s: lengths of %d to %d bytes are fitted as %d", d.ID, d.MinLength, d.Length, m.Length))
	}
	if !m.Remote {
		notes = append(notes, d.fields(&m)...)
	}
	d.releases(&m)
	return m, notes
}

// releases fits when a message is sent.
func (d *ID) releases(m *traffic.Message) {
	switch d.Regularity {
	case OnEvent:
		m.Events = eventsOf(d.MeanExact, d.Shortest)
		return
	case Mixed:
		// What the clock leaves over comes on events. Without any the clock misses.
		if extra := 1/d.MeanExact - 1/float64(d.Median); extra > 0 {
			m.Period, m.Drift = nominal(float64(d.Median))
			m.Events = eventsOf(1/extra, d.Shortest)
			return
		}
	}
	m.Period, m.Drift = nominal(d.MeanExact)
	m.Jitter = jitterOf(float64(d.High-d.Low)/triangular, m.Period)
}

// triangular is the distance of the 5 % and the 95 % point of the difference of
// two draws uniform from 0 to 1: its law is a triangle from -1 to 1.
var triangular = 2 * (1 - math.Sqrt(0.1))

func jitterOf(ns float64, period time.Duration) time.Duration {
	const grain = 10 * time.Microsecond
	j := time.Duration(max(0, ns)).Round(grain)
	return min(j, (period * 9 / 10).Truncate(grain))
}

// nominal splits a period in ns into a plain one and the drift of the clock in
// whole parts per million.
func nominal(mean float64) (period time.Duration, drift float64) {
	for _, step := range []time.Duration{time.Second, 100 * time.Millisecond, 50 * time.Millisecond, 10 * time.Millisecond, 5 * time.Millisecond,
		time.Millisecond, 500 * time.Microsecond, 100 * time.Microsecond, 10 * time.Microsecond, time.Microsecond} {
		period = time.Duration(math.Round(mean/float64(step))) * step
		const plain = 1000 // ppm, far above the error of any clock
		if period > 0 && math.Abs(mean/float64(period)-1)*1e6 <= plain {
			break
		}
	}
	period = min(max(period, leastPeriod), mostPeriod)
	drift = math.Round((mean/float64(period) - 1) * 1e6)
	return period, min(max(drift, -99_999), 99_999)
}

// eventsOf returns events of this mean distance, ns, of which no two come closer
// than the shortest found. An event that falls into the gap behind a release
// waits, so that events at mean distance e are released every gap + e exp(-gap/e).
func eventsOf(mean float64, shortest time.Duration) *traffic.Events {
	gap := min(shortest, time.Duration(mean*0.9), mostPeriod).Truncate(10 * time.Microsecond)
	low, high := float64(leastPeriod), max(mean, float64(leastPeriod))
	for range 60 {
		e := (low + high) / 2
		if float64(gap)+e*math.Exp(-float64(gap)/e) < mean {
			low = e
		} else {
			high = e
		}
	}
	return &traffic.Events{Every: time.Duration(high), MinGap: gap}
}

// How the jitter is corrected.
const (
	corrections    = 2
	correctionSpan = 60 * time.Second
	enoughPeriods  = 50
)

// correct runs the set and changes each jitter by what its intervals spread too
// far or not far enough. Spreads of independent causes add up as squares.
func correct(messages []traffic.Message, found []*ID, rate BitRate) {
	set, err := traffic.New(traffic.Config{Messages: messages, BitRate: rate.Value, DataBitRate: rate.Data,
		Stream: func(purpose string, index int) *rand.Rand {
			key := uint64(index) + 0x9e3779b97f4a7c15
			for _, c := range purpose {
				key = key*1099511628211 + uint64(c)
			}
			return rand.New(rand.NewPCG(key, 1))
		}})
	if err != nil {
		return // the jitter stays as it is; whoever runs the set is told
	}
	periods, last := make([]histogram, len(messages)), make([]time.Duration, len(messages))
	var f bus.Frame
	for set.Next(&f) && f.At < correctionSpan {
		i := f.Message
		if last[i] > 0 {
			periods[i].add(int64(f.At - last[i]))
		}
		last[i] = f.At
	}
	for i := range messages {
		p, d, m := &periods[i], found[i], &messages[i]
		if m.Period == 0 || m.Events != nil || p.count < enoughPeriods {
			continue
		}
		wanted, got := float64(d.High-d.Low)/triangular, (p.quantile(.95)-p.quantile(.05))/triangular
		j := float64(m.Jitter)
		m.Jitter = jitterOf(math.Sqrt(max(0, j*j+wanted*wanted-got*got)), m.Period)
	}
}

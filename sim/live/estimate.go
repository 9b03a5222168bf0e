package live

import (
	"time"

	"stalegauge/scenarios"
	"stalegauge/sim"
)

// Estimate is what a sender will send at speed 1, from a simulation.
type Estimate struct {
	Span      time.Duration // simulated
	Datagrams uint64
	Bytes     uint64
	Smallest  int // datagram, bytes
	Largest   int
}

// PerSecond returns the datagrams a second.
func (e *Estimate) PerSecond() float64 { return float64(e.Datagrams) / e.Span.Seconds() }

// BytesPerSecond returns the payload bytes a second.
func (e *Estimate) BytesPerSecond() float64 { return float64(e.Bytes) / e.Span.Seconds() }

// Forecast simulates a prepared plan to its end.
func Forecast(plan *scenarios.Plan) (*Estimate, error) {
	e := &Estimate{}
	r, err := sim.RunTapped(plan, 0, func(s sim.Sending) {
		n := s.Broadcast.Size
		if e.Datagrams == 0 {
			e.Smallest = n
		}
		e.Datagrams++
		e.Bytes += uint64(n)
		e.Smallest, e.Largest = min(e.Smallest, n), max(e.Largest, n)
	})
	if err != nil {
		return nil, err
	}
	e.Span = r.Span
	return e, nil
}

package live

import (
	"fmt"
	"io"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/bridge"
	"stalegauge/radio"
	"stalegauge/scenarios"
	"stalegauge/sim"
)

// never lies after every instant of a run.
const never = time.Duration(1<<63 - 1)

// station is one bridge with its bus.
type station struct {
	index  int
	set    uint16
	source bus.Source
	frame  bus.Frame // the next one
	more   bool
	frames uint64
	bridge *bridge.Bridge
	codec  *bridge.Codec // as stamped
	handed []*bridge.Broadcast
	taken  bool // at least one output took the first of them, or its weather lost it

	at   time.Duration // of what it waits for
	take bool          // that is its bridge, not a frame

	broadcasts, records uint64
	airtime             time.Duration
	busy                time.Duration // up to the frame before the next one
}

// newStations builds the bridges of a prepared plan.
func newStations(plan *scenarios.Plan) ([]*station, error) {
	streams := scenarios.Streams{Seed: plan.Seed}
	all := []*station{}
	add := func(spec *scenarios.Vehicle, copyOf int, streams scenarios.Streams) error {
		s := &station{index: len(all)}
		var err error
		if s.source, err = spec.Bus.Source(streams, nil, nil); err != nil {
			return fmt.Errorf("bus: %w", err)
		}
		all = append(all, s)
		config := sim.BridgeConfig(plan, spec, copyOf, streams)
		if s.bridge, err = bridge.New(config); err != nil {
			return err
		}
		s.set, s.codec = config.Layout.Set, s.bridge.Codec()
		s.pull()
		s.schedule()
		return nil
	}
	err := add(&plan.Vehicle, 0, streams)
	for i := range plan.Neighbours {
		n := &plan.Neighbours[i]
		for k := range n.Count {
			if err == nil {
				err = add(&n.Vehicle, k, streams.Of(n.Name, k))
			}
		}
	}
	if err != nil {
		closeSources(all)
		return nil, err
	}
	return all, nil
}

// closeSources closes the files of captures and returns what stopped a source.
func closeSources(all []*station) (err error) {
	for _, s := range all {
		if e, ok := s.source.(interface{ Err() error }); ok && e.Err() != nil && err == nil {
			err = e.Err()
		}
		if c, ok := s.source.(io.Closer); ok {
			if e := c.Close(); err == nil {
				err = e
			}
		}
	}
	return err
}

func (s *station) pull() {
	if o, ok := s.source.(interface{ Busy() time.Duration }); ok {
		s.busy = o.Busy()
	}
	s.more = s.source.Next(&s.frame)
}

// schedule works out what the station waits for.
func (s *station) schedule() {
	s.at, s.take = never, true
	if due, ok := s.bridge.Due(); ok {
		s.at = due
	}
	if s.more && s.frame.At <= s.at {
		s.at, s.take = s.frame.At, false
	}
}

// offer gives the next frame to the bridge.
func (s *station) offer() {
	if s.frame.Kind != bus.Error {
		s.frames++
		s.bridge.Offer(s.frame.At, &s.frame)
	}
	s.pull()
	s.schedule()
}

// work lets the bridge work and hands what it sends to the medium.
func (s *station) work(at time.Duration, channel radio.Channel) {
	if b, ok := s.bridge.Take(at); ok {
		s.handed = append(s.handed, b)
		if len(s.handed) == 1 {
			channel.Request(at, s.index, b.Size)
		}
	}
	s.schedule()
}

// done frees the medium for the next broadcast.
func (s *station) done(at time.Duration, sent bool, channel radio.Channel) {
	b := s.handed[0]
	n := copy(s.handed, s.handed[1:])
	s.handed = s.handed[:n]
	s.bridge.Sent(at, b, sent)
	b.Release()
	if n > 0 {
		channel.Request(at, s.index, s.handed[0].Size)
	}
	s.schedule()
}

package scenarios

import (
	"errors"
	"io"

	"stalegauge/bus/bridge"
)

// tryParts builds the parts once. The reader knows their rules, so that this
// finds nothing; if a part has a rule of its own, its words reach the user
// instead of stopping a run in the middle.
func tryParts(p *Plan) error {
	var errs []error
	streams := Streams{Seed: p.Seed}
	source, err := p.Bus.Source(streams, nil, nil)
	if err != nil {
		errs = append(errs, err)
	} else if c, ok := source.(io.Closer); ok {
		errs = append(errs, c.Close())
	}
	config := p.Bridge
	config.Stream = streams.Rand
	if _, err := bridge.New(config); err != nil {
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

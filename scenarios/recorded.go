package scenarios

import (
	"time"

	"stalegauge/bus"
	"stalegauge/bus/capture"
)

// recorded is a replay that knows how long its frames held the bus: the exact
// length of each one at the bit rates of the scenario. Error frames of a capture
// are notes of its logger and take no time.
type recorded struct {
	*capture.Replay
	bitRate, dataBitRate int
	table                bus.Table
	shapes               []recordedShape // by index of table
	busy                 time.Duration
}

// recordedShape is the shape of an identifier's last frame: the next one mostly
// has the same.
type recordedShape struct {
	kind   bus.Kind
	flags  bus.Flags
	length uint8
	shape  bus.Shape
}

// Next is [capture.Replay.Next].
func (r *recorded) Next(f *bus.Frame) bool {
	if !r.Replay.Next(f) {
		return false
	}
	if f.Kind != bus.Error {
		r.busy += r.shape(f).Bits(f.Payload()).WithIntermission().Duration(r.bitRate, r.dataBitRate)
	}
	return true
}

// Busy returns how long the frames handed out held the bus, intermissions
// included.
func (r *recorded) Busy() time.Duration { return r.busy }

func (r *recorded) shape(f *bus.Frame) *bus.Shape {
	i, known := r.table.Lookup(f.ID)
	if !known {
		if r.table.Len() == maxCarried {
			s := bus.NewShape(f.ID, f.Kind, f.Flags, int(f.Length))
			return &s
		}
		i = r.table.Add(f.ID)
		r.shapes = append(r.shapes, recordedShape{kind: bus.Error})
	}
	s := &r.shapes[i]
	if s.kind != f.Kind || s.flags != f.Flags || s.length != f.Length {
		*s = recordedShape{f.Kind, f.Flags, f.Length, bus.NewShape(f.ID, f.Kind, f.Flags, int(f.Length))}
	}
	return &s.shape
}

package bridge

import (
	"encoding/binary"
	"math"

	"stalegauge/bus"
	"stalegauge/bus/signal"
)

// content is the data of a value that was sent.
type content struct {
	length uint8
	data   [bus.MaxLength]byte
}

func (c *content) set(r *Record) {
	c.length = r.Length
	copy(c.data[:r.Length], r.Data[:r.Length])
}

// watch finds the changes that count.
type watch struct {
	masks [bus.MaxLength / 8]uint64 // little-endian words; bits of the data
	words int                       // that have a bit in them
	bands []band
}

type band struct {
	codec    signal.Codec
	page     int
	deadBand float64
}

func newWatch(w *Watched) watch {
	var out watch
	var mask [bus.MaxLength]byte
	if w.Mask == nil && len(w.Bands) == 0 {
		for i := range mask {
			mask[i] = 0xFF
		}
	}
	copy(mask[:], w.Mask)
	for i := range out.masks {
		out.masks[i] = binary.LittleEndian.Uint64(mask[8*i:])
		if out.masks[i] != 0 {
			out.words = i + 1
		}
	}
	for i := range w.Bands {
		b := &w.Bands[i]
		out.bands = append(out.bands, band{signal.Compile(&b.Signal), b.Signal.Page, b.DeadBand})
	}
	return out
}

// differs reports whether a record differs from what was sent.
func (w *watch) differs(sent *content, r *Record) bool {
	if sent.length != r.Length {
		return true
	}
	length := int(r.Length)
	for i := range w.words {
		rest := length - 8*i
		if rest <= 0 {
			break
		}
		mask := w.masks[i]
		if rest < 8 {
			mask &= 1<<(8*rest) - 1
		}
		if (binary.LittleEndian.Uint64(sent.data[8*i:])^binary.LittleEndian.Uint64(r.Data[8*i:]))&mask != 0 {
			return true
		}
	}
	for i := range w.bands {
		if b := &w.bands[i]; b.page == signal.AnyPage || b.page == r.Page {
			if b.moved(sent.data[:length], r.Data[:length]) {
				return true
			}
		}
	}
	return false
}

// moved reports whether the signal has left the band around its old value. A
// value that is not a number is a value of its own.
func (b *band) moved(old, data []byte) bool {
	x, has := b.codec.Decode(old)
	y, have := b.codec.Decode(data)
	if has != have || math.IsNaN(x) != math.IsNaN(y) {
		return true
	}
	return x != y && math.Abs(y-x) > b.deadBand
}

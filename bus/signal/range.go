package signal

import "math"

// RawRange returns the least and the greatest raw number. Both are whole numbers
// except for a Float signal; the greatest of 64 bits is rounded to float64.
func (d *Definition) RawRange() (least, greatest float64) {
	switch {
	case d.Float && d.Bits == 32:
		return -math.MaxFloat32, math.MaxFloat32
	case d.Float:
		return -math.MaxFloat64, math.MaxFloat64
	}
	least, _ = d.bounds()
	return least, float64(d.greatest())
}

// Range returns the lowest and the highest physical value, in the signal's unit.
func (d *Definition) Range() (low, high float64) {
	least, greatest := d.RawRange()
	low = float64(least*d.Scale) + d.Offset
	high = float64(greatest*d.Scale) + d.Offset
	return min(low, high), max(low, high)
}

// Resolution returns the distance of neighbouring physical values, in the
// signal's unit, and 0 for a Float signal, which has no fixed one.
func (d *Definition) Resolution() float64 {
	if d.Float {
		return 0
	}
	return math.Abs(d.Scale)
}

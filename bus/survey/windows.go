package survey

import "time"

// Windows are the lengths over which load is taken.
var Windows = [...]time.Duration{10 * time.Millisecond, 100 * time.Millisecond, time.Second}

// window takes the load over stretches of one length that follow each other. A
// frame counts where it is received.
type window struct {
	length time.Duration
	number int64 // of the stretch under way
	begun  bool
	bits   int64
	loads  histogram // bits in each stretch that is over
	most   int64
	mostAt time.Duration
}

func (w *window) add(at time.Duration, bits int64) {
	number := int64(at / w.length)
	if number != w.number || !w.begun {
		w.move(number)
	}
	w.bits += bits
}

// move ends the stretch under way; those in which nothing was received follow it.
// The first stretch and the last may be cut and do not count.
func (w *window) move(number int64) {
	if w.begun {
		if w.number > 0 {
			w.note(w.bits, w.number)
		}
		w.loads.addMany(0, uint64(max(0, number-w.number-1)))
	}
	w.number, w.bits, w.begun = number, 0, true
}

func (w *window) note(bits, number int64) {
	w.loads.add(bits)
	if bits > w.most || w.mostAt == 0 {
		w.most, w.mostAt = bits, time.Duration(number)*w.length
	}
}

package bus

// Bit stuffing: after five equal bits one opposite bit is inserted, which is
// itself the first bit of the next run (CAN specification 2.0 part B, bit stream
// coding).
//
// The state carried from bit to bit is the last bit sent and how many equal ones
// came in a row, 1 to 4; a fifth one is followed by its stuff bit at once and
// leaves a run of 1 of the opposite value. It is packed as (run-1)<<1 | bit.
const (
	stateMask  = 7
	stateShift = 3
	// afterSOF is the state after the dominant start-of-frame bit.
	afterSOF = 0
)

// steps holds for eight (or seven) bits and a state the state after them in the
// low three bits and the stuff bits inserted above. The bits come first in the
// index: the address of the next step's row is then known before the state is.
type steps [256][8]uint8

var (
	byteSteps  = makeSteps(8)
	sevenSteps = makeSteps(7)
)

func makeSteps(width int) *steps {
	t := new(steps)
	for word := range 1 << width {
		for state := range uint8(8) {
			after, stuffed := state, uint8(0)
			for i := width - 1; i >= 0; i-- {
				step := stuffBit(after, uint8(word>>i&1))
				after = step & stateMask
				stuffed += step >> stateShift
			}
			t[word][state] = stuffed<<stateShift | after
		}
	}
	return t
}

// stuffBit sends one bit from a state. It returns the state after it and, above
// the state, whether a stuff bit was inserted.
func stuffBit(state, bit uint8) uint8 {
	last, run := state&1, state>>1+1
	if bit != last {
		return bit
	}
	if run++; run == 5 {
		return 1<<stateShift | bit ^ 1
	}
	return (run-1)<<1 | bit
}

// stuffWord sends the low width bits of word, highest first, and returns the
// state after them and the stuff bits inserted.
func stuffWord(state uint8, word uint64, width int) (after uint8, stuffed int) {
	for width >= 8 {
		width -= 8
		step := byteSteps[byte(word>>width)][state&stateMask]
		state = step
		stuffed += int(step >> stateShift)
	}
	for width > 0 {
		width--
		step := stuffBit(state&stateMask, uint8(word>>width&1))
		state = step
		stuffed += int(step >> stateShift)
	}
	return state & stateMask, stuffed
}

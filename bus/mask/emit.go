package mask

// program writes a settled state into registers.
func (p *problem) program(shape Shape, s *state) *Program {
	switch shape.family {
	case twoMasks:
		var words []uint32
		for i := range s.classes {
			c := &s.classes[i]
			seen, drop := p.shared(s, i)
			care := seen &^ drop
			if i == 0 || s.classes[i-1].group != c.group {
				words = append(words, care&^extendedTwoMasks) // of the width, a code has the only bit
			}
			words = append(words, c.code&(care|extendedTwoMasks))
		}
		return must(shape, words)
	case banks:
		return must(shape, bankWords(shape.first, s.classes))
	}
	seen, drop := p.shared(s, 0)
	care, code := seen&^drop, uint32(0)
	for i := range s.classes {
		code |= s.classes[i].code & care
	}
	ignore := ^care
	if shape.family == eightBit {
		ignore &= 0xFF
	}
	return must(shape, []uint32{code, ignore})
}

// bankWords packs classes into banks: 32-bit masks, 32-bit identifiers, 16-bit
// masks, 16-bit identifiers. A place that is left over takes a base identifier,
// or repeats what stands beside it.
func bankWords(n int, classes []class) []uint32 {
	var lists, masks [2][]class // of 16 bits, of 32
	for _, c := range classes {
		kind := 0
		if c.view == view32 {
			kind = 1
		}
		if c.exact {
			lists[kind] = append(lists[kind], c)
		} else {
			masks[kind] = append(masks[kind], c)
		}
	}
	take := func(from *[]class) class {
		c := (*from)[0]
		*from = (*from)[1:]
		return c
	}
	words := make([]uint32, 3+2*n)
	bank := 0
	put := func(scale, mode, one, two uint32) {
		words[0] |= 1 << bank
		words[1] |= scale << bank
		words[2] |= mode << bank
		words[3+2*bank], words[4+2*bank] = one, two
		bank++
	}
	care := func(c class) uint32 { return c.seen &^ c.drop }
	code := func(c class) uint32 { return c.code & care(c) }
	for len(masks[1]) > 0 {
		c := take(&masks[1])
		put(1, 0, code(c), care(c))
	}
	for len(lists[1]) > 0 {
		one := take(&lists[1]).code
		two := one
		switch {
		case len(lists[1]) > 0:
			two = take(&lists[1]).code
		case len(lists[0]) > 0: // the base words differ in where the bits stand only
			two = take(&lists[0]).code >> 5 << 21
		}
		put(1, 1, one, two)
	}
	for len(masks[0]) > 0 {
		one := take(&masks[0])
		two := one
		switch {
		case len(masks[0]) > 0:
			two = take(&masks[0])
		case len(lists[0]) > 0:
			two = take(&lists[0])
		}
		put(0, 0, code(one)|care(one)<<16, code(two)|care(two)<<16)
	}
	for len(lists[0]) > 0 {
		var four [4]uint32
		for i := range four {
			four[i] = four[0]
			if len(lists[0]) > 0 {
				four[i] = take(&lists[0]).code
			} else if i > 0 {
				four[i] = four[i-1]
			}
		}
		put(0, 1, four[0]|four[1]<<16, four[2]|four[3]<<16)
	}
	return words
}

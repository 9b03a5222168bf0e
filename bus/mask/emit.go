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

// packer writes classes into banks.
type packer struct {
	words        []uint32
	bank         int
	lists, masks [2][]class // left to write, of 16 bits and of 32
}

// bankWords packs classes into banks: 32-bit masks, 32-bit identifiers, 16-bit
// masks, 16-bit identifiers. A place that is left over takes a base identifier,
// or repeats what stands beside it.
func bankWords(n int, classes []class) []uint32 {
	k := &packer{words: make([]uint32, 3+2*n)}
	for _, c := range classes {
		kind := 0
		if c.view == view32 {
			kind = 1
		}
		if c.exact {
			k.lists[kind] = append(k.lists[kind], c)
		} else {
			k.masks[kind] = append(k.masks[kind], c)
		}
	}
	for len(k.masks[1]) > 0 {
		c := take(&k.masks[1])
		k.put(1, 0, c.masked(), c.care())
	}
	for len(k.lists[1]) > 0 {
		one := take(&k.lists[1]).code
		two := one
		switch {
		case len(k.lists[1]) > 0:
			two = take(&k.lists[1]).code
		case len(k.lists[0]) > 0: // the base words differ in where the bits stand only
			two = take(&k.lists[0]).code >> 5 << 21
		}
		k.put(1, 1, one, two)
	}
	for len(k.masks[0]) > 0 {
		one := take(&k.masks[0])
		two := one
		switch {
		case len(k.masks[0]) > 0:
			two = take(&k.masks[0])
		case len(k.lists[0]) > 0:
			two = take(&k.lists[0])
		}
		k.put(0, 0, one.masked()|one.care()<<16, two.masked()|two.care()<<16)
	}
	for len(k.lists[0]) > 0 {
		var four [4]uint32
		for i := range four {
			if len(k.lists[0]) > 0 {
				four[i] = take(&k.lists[0]).code
			} else {
				four[i] = four[i-1]
			}
		}
		k.put(0, 1, four[0]|four[1]<<16, four[2]|four[3]<<16)
	}
	return k.words
}

// put writes the next bank.
func (k *packer) put(scale, mode, one, two uint32) {
	k.words[0] |= 1 << k.bank
	k.words[1] |= scale << k.bank
	k.words[2] |= mode << k.bank
	k.words[3+2*k.bank], k.words[4+2*k.bank] = one, two
	k.bank++
}

func take(from *[]class) class {
	c := (*from)[0]
	*from = (*from)[1:]
	return c
}

// care are the bits that a class of its own compares, masked its code in them.
func (c *class) care() uint32   { return c.seen &^ c.drop }
func (c *class) masked() uint32 { return c.code & c.care() }

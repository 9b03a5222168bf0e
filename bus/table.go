package bus

// Table numbers identifiers from 0 in the order in which they are added, so that
// per-identifier state can live in slices. The zero value is an empty table. A
// Table must not be copied or added to while another goroutine reads it.
type Table struct {
	base     [MaxBaseNumber + 1]int32 // index+1, 0 = absent
	ids      []ID                     // by index
	keys     []ID                     // open addressing by linear probing; 0 = free, as 29-bit keys are never 0
	values   []int32
	shift    uint // 32 - log2(len(keys))
	extended int  // how many of keys are taken
}

// NewTable returns a table of these identifiers. Of equal ones only the first
// gets a number.
func NewTable(ids ...ID) *Table {
	t := new(Table)
	for _, id := range ids {
		t.Add(id)
	}
	return t
}

// Len returns how many identifiers the table holds.
func (t *Table) Len() int { return len(t.ids) }

// ID returns the identifier with this index, from 0 to Len-1.
func (t *Table) ID(index int) ID { return t.ids[index] }

// Lookup returns the index of an identifier and whether it is in the table. It
// does not allocate.
func (t *Table) Lookup(id ID) (index int, ok bool) {
	if id <= MaxBaseNumber {
		index = int(t.base[id]) - 1
		return index, index >= 0
	}
	if t.extended == 0 || !id.IsExtended() {
		return -1, false
	}
	mask := len(t.keys) - 1
	for i := t.slot(id); ; i = (i + 1) & mask {
		switch t.keys[i] {
		case id:
			return int(t.values[i]), true
		case 0:
			return -1, false
		}
	}
}

// Add returns the index of an identifier, which it puts into the table if need
// be. It panics if the identifier is not valid.
func (t *Table) Add(id ID) int {
	if !id.Valid() {
		panic("bus: Table.Add: the identifier's number does not fit its width")
	}
	if index, ok := t.Lookup(id); ok {
		return index
	}
	index := len(t.ids)
	t.ids = append(t.ids, id)
	if !id.IsExtended() {
		t.base[id] = int32(index) + 1
		return index
	}
	if 2*(t.extended+1) > len(t.keys) {
		t.grow()
	}
	t.place(id, int32(index))
	t.extended++
	return index
}

// slot mixes the number over the whole table: identifiers of one machine differ
// in a few bits in the middle only.
func (t *Table) slot(id ID) int {
	h := uint32(id)
	h ^= h >> 15
	h *= 0x9E3779B1
	return int(h >> t.shift)
}

// grow doubles the space, which keeps it at most half full.
func (t *Table) grow() {
	const first = 16
	oldKeys, oldValues := t.keys, t.values
	size := max(first, 2*len(oldKeys))
	t.keys, t.values = make([]ID, size), make([]int32, size)
	t.shift = 32
	for s := size; s > 1; s >>= 1 {
		t.shift--
	}
	for i, id := range oldKeys {
		if id != 0 {
			t.place(id, oldValues[i])
		}
	}
}

func (t *Table) place(id ID, index int32) {
	mask := len(t.keys) - 1
	i := t.slot(id)
	for t.keys[i] != 0 {
		i = (i + 1) & mask
	}
	t.keys[i], t.values[i] = id, index
}

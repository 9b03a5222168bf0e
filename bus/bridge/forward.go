package bridge

import (
	"slices"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/fate"
)

// gate is the divider and cap of one identifier and page. Pages have their own:
// a divider of 2 over two pages in turn would let one page pass and never the
// other.
type gate struct {
	slot, page int
	skipped    int // frames held back since the last that passed
	open       bool
	last       time.Duration // when the last one passed
	wait       wait
}

// pageKey is the key of one page of a paged identifier.
type pageKey struct {
	page int
	key  int32
}

// forwardList finds the entry of a frame and its key: the number of its
// identifier and page among all that have been seen.
type forwardList struct {
	entries []Forward
	table   *bus.Table
	plain   []int32     // by slot: key, where there are no pages
	pages   [][]pageKey // by slot: in order of page
	gates   []gate      // by key
	order   []int32     // keys in order of slot and page
}

func newForwardList(entries []Forward) forwardList {
	l := forwardList{
		entries: slices.Clone(entries), table: bus.NewTable(),
		plain: make([]int32, len(entries)), pages: make([][]pageKey, len(entries)),
	}
	for slot, e := range entries {
		l.table.Add(e.ID)
		if e.Selector == nil {
			l.plain[slot] = l.add(slot, NoPage)
		}
	}
	return l
}

func (l *forwardList) add(slot, page int) int32 {
	key := int32(len(l.gates))
	l.gates = append(l.gates, gate{slot: slot, page: page})
	at, _ := slices.BinarySearchFunc(l.order, gate{slot: slot, page: page}, func(k int32, g gate) int {
		if have := &l.gates[k]; have.slot != g.slot {
			return have.slot - g.slot
		} else {
			return have.page - g.page
		}
	})
	l.order = slices.Insert(l.order, at, key)
	return key
}

// key returns the key of a slot and page.
func (l *forwardList) key(slot, page int) int32 {
	if page == NoPage {
		return l.plain[slot]
	}
	at, ok := slices.BinarySearchFunc(l.pages[slot], page, func(k pageKey, page int) int { return k.page - page })
	if !ok {
		l.pages[slot] = slices.Insert(l.pages[slot], at, pageKey{page, l.add(slot, page)})
	}
	return l.pages[slot][at].key
}

// admit makes the value of a frame on the list.
func (b *Bridge) admit(slot int, f *bus.Frame) int32 {
	index, v := b.ledger.add()
	r := &v.record
	r.Slot, r.Page, r.ValidAt, r.Length, r.Frame, r.value = slot, NoPage, f.Released, f.Length, b.frames+b.passedOver, index
	copy(r.Data[:], f.Data[:f.Length])
	if sel := b.list.entries[slot].Selector; sel != nil {
		page, ok := sel.Page(f.Data[:f.Length])
		if !ok {
			v.bad = true
			return index
		}
		r.Page = page
	}
	v.key = b.list.key(slot, r.Page)
	return index
}

// forward is the forward list's decision about a value, at the end of the
// processor's work on it.
func (b *Bridge) forward(now time.Duration, index int32) {
	v := &b.ledger.values[index]
	entry := &b.list.entries[v.record.Slot]
	length := int(v.record.Length)
	if v.bad || b.cfg.Layout.Kind.fixedLength() && length != entry.Length ||
		b.codec.header+b.codec.RecordSize(v.record.Slot, length) > b.cfg.MaxPayload {
		b.ledger.lose(index, fate.FrameBadLength)
		return
	}
	g := &b.list.gates[v.key]
	if g.open && (g.skipped+1 < entry.Divide || now-g.last < entry.MinGap) {
		g.skipped++
		b.ledger.lose(index, fate.FrameDivided)
		return
	}
	g.open, g.skipped, g.last = true, 0, now
	b.pass(fate.StageBusQueue, &v.record, now)
	b.streams[b.bySlot[v.record.Slot]].policy.offer(now, index)
}

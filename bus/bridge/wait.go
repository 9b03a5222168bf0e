package bridge

import "time"

// wait is how long an identifier and page has waited to be sent.
type wait struct {
	open    bool          // there is something to send
	since   time.Duration // since then nothing newer than what was sent before has left
	newest  time.Duration // when its policy began to want the newest value
	validAt time.Duration // of that value
	longest time.Duration
	wanted  uint64
	left    uint64
}

// SlotUse is how well an entry of the forward list was served. A class that
// starves shows in Waited, and in values wanted that never left.
type SlotUse struct {
	Policy int    // as in [Forward.Policy]
	Class  int    // as in [Forward.Class]
	Wanted uint64 // values that the policy set out to send
	Left   uint64 // of these, handed to the medium at least once
	// Waited is the longest time for which a page of it had something to send
	// and nothing of it left, until the last call.
	Waited time.Duration
}

// want notes that a policy wants to send a value from now on.
func (b *Bridge) want(now time.Duration, index int32) {
	v := &b.ledger.values[index]
	w := &b.list.gates[v.key].wait
	if !w.open {
		w.open, w.since = true, now
	}
	if v.wanted == never {
		w.wanted++
		v.wanted = now
	}
	w.newest, w.validAt = now, v.record.ValidAt
}

// unwant notes that there is nothing to send any more under a key.
func (b *Bridge) unwant(key int32) { b.list.gates[key].wait.open = false }

// leave notes that a value is handed over, not as a copy.
func (b *Bridge) leave(now time.Duration, index int32) {
	v := &b.ledger.values[index]
	w := &b.list.gates[v.key].wait
	if !v.handed && v.wanted != never {
		w.left++
		w.longest = max(w.longest, now-v.wanted)
	}
	if !w.open {
		return
	}
	w.longest = max(w.longest, now-w.since)
	if v.record.ValidAt >= w.validAt {
		w.open = false
	} else {
		w.since = w.newest
	}
}

// Slots returns how well the entries of the forward list were served until the
// last call.
func (b *Bridge) Slots() []SlotUse {
	uses := make([]SlotUse, len(b.cfg.Forward))
	for slot, e := range b.cfg.Forward {
		uses[slot].Policy, uses[slot].Class = e.Policy, e.Class
	}
	for i := range b.list.gates {
		g := &b.list.gates[i]
		u := &uses[g.slot]
		u.Wanted += g.wait.wanted
		u.Left += g.wait.left
		u.Waited = max(u.Waited, g.wait.longest)
		if g.wait.open {
			u.Waited = max(u.Waited, b.clock-g.wait.since)
		}
	}
	return uses
}

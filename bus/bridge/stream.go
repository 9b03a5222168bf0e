package bridge

import (
	"slices"
	"time"
)

// stream is what one policy has of one priority class. Streams share nothing but
// what comes behind them, so no broadcast holds records of two classes or of two
// policies; only the classes of one slack policy have one price.
type stream struct {
	policy policy
	rule   *Policy
	index  int // of the policy, as in [Forward.Policy]
	class  int
	slots  []int
	price  *price // Slack
	served uint64 // turn in which it last handed over a broadcast
}

// addStreams makes the streams of the configuration, in order of class and then
// of policy.
func (b *Bridge) addStreams() {
	b.bySlot = make([]int32, len(b.cfg.Forward))
	for slot, e := range b.cfg.Forward {
		i := slices.IndexFunc(b.streams, func(s stream) bool { return s.index == e.Policy && s.class == e.Class })
		if i < 0 {
			i = len(b.streams)
			b.streams = append(b.streams, stream{index: e.Policy, class: e.Class, rule: b.cfg.policyAt(e.Policy)})
		}
		b.streams[i].slots = append(b.streams[i].slots, slot)
	}
	slices.SortFunc(b.streams, func(x, y stream) int {
		if x.class != y.class {
			return x.class - y.class
		}
		return x.index - y.index
	})
	b.firstCopy = never
	b.oneClass = len(b.streams) == 0 || b.streams[0].class == b.streams[len(b.streams)-1].class
	for i := range b.streams {
		for _, slot := range b.streams[i].slots {
			b.bySlot[slot] = int32(i)
		}
		b.streams[i].policy = newPolicy(b, int32(i))
	}
}

// firePolicy fires the timer that comes first; of those that come at once, that
// of the first stream.
func (b *Bridge) firePolicy(at time.Duration) {
	for i := range b.streams {
		if p := b.streams[i].policy; p.due() == at {
			p.fire(at)
			return
		}
	}
}

// candidate is what could be handed over next.
type candidate struct {
	kind  candidateKind
	index int // of the copy or the stream
	class int
	due   time.Duration // of the copy
}

type candidateKind uint8

const (
	noCandidate       candidateKind = iota
	copyCandidate                   // copy of a broadcast
	queuedCandidate                 // head of the send queue
	composedCandidate               // made by the policy of a stream
)

// choose returns what is to be handed over at t as things stand now: of the
// lowest class, there a due copy before new broadcasts, and of these the one
// whose source has been served longest ago, be it the send queue or a policy that
// makes its broadcasts at hand-over.
func (b *Bridge) choose(t time.Duration) (best candidate) {
	best.class = int(^uint(0) >> 1)
	if b.firstCopy <= t {
		for i := range b.copies {
			a := &b.copies[i]
			class := a.broadcast.class
			if a.due <= t && (class < best.class || class == best.class && a.due < best.due) {
				best = candidate{copyCandidate, i, class, a.due}
			}
		}
	}
	served := uint64(0)
	if b.queue.line.n > 0 {
		if head := *b.queue.line.front(); head.class < best.class {
			best = candidate{kind: queuedCandidate, class: head.class}
			served = b.queue.served
		}
	}
	for i := range b.streams {
		s := &b.streams[i]
		if s.class > best.class || s.class == best.class && (best.kind == copyCandidate || served <= s.served) {
			continue
		}
		if s.policy.ready() {
			best = candidate{kind: composedCandidate, index: i, class: s.class}
			served = s.served
		}
	}
	return best
}

// priceOf returns what a candidate has to find in the buckets. What a policy makes
// at hand-over must be payable at full size.
func (b *Bridge) priceOf(n candidate) cost {
	switch n.kind {
	case copyCandidate:
		return b.copies[n.index].broadcast.cost
	case queuedCandidate:
		return (*b.queue.line.front()).cost
	default:
		return b.fullCost
	}
}

// payable returns when a candidate can be paid for, at the earliest now; at once
// if it is given up otherwise.
func (b *Bridge) payable(now time.Duration, n candidate) time.Duration {
	if b.cfg.Limit.Drop && n.kind != queuedCandidate {
		return now
	}
	return b.limit.ready(now, b.priceOf(n))
}

// copyAfter returns when the first copy is due after t that goes before a
// candidate, never if there is none.
func (b *Bridge) copyAfter(t time.Duration, n candidate) time.Duration {
	if b.firstCopy == never || b.oneClass && b.firstCopy > t {
		return b.firstCopy
	}
	first := never
	for i := range b.copies {
		a := &b.copies[i]
		class := a.broadcast.class
		if a.due > t && a.due < first && (class < n.class || class == n.class && n.kind != copyCandidate) {
			first = a.due
		}
	}
	return first
}

package bridge

import "time"

// job is a frame between pick-up and the forward list.
type job struct {
	start, done time.Duration // of the processor's work on it
	value       int32
}

// processor is the bus queue and the single server behind it. A frame's start
// and end of work are known at its pick-up.
type processor struct {
	cost   time.Duration
	depth  int
	stalls *stallCursor
	work   job       // begun last, perhaps finished
	line   ring[job] // in the bus queue
	free   time.Duration

	busy      time.Duration
	highWater int
}

// accept puts a frame that is picked up at t into the bus queue and returns the
// end of the work on it, or false if the queue is full.
func (p *processor) accept(t time.Duration, value int32) (done time.Duration, ok bool) {
	for p.line.n > 0 && p.line.front().start <= t {
		p.work = p.line.pop()
	}
	start := p.stalls.release(max(t, p.free))
	if start > t && p.line.n == p.depth {
		return 0, false
	}
	done = p.stalls.finish(start, p.cost)
	p.busy += p.cost
	p.free = done
	if start > t {
		p.line.push(job{start, done, value})
		p.highWater = max(p.highWater, p.line.n)
	} else {
		p.work = job{start, done, value}
	}
	return done, true
}

// inside counts the unlisted frames that have not reached the forward list by t.
// They have been counted as not listed already.
func (p *processor) inside(t time.Duration) (n uint64) {
	if p.work.value == unlisted && p.work.done > t {
		n++
	}
	for i := range p.line.len() {
		if j := p.line.at(i); j.value == unlisted && j.done > t {
			n++
		}
	}
	return n
}

// worked is the time that the server worked until t.
func (p *processor) worked(t time.Duration) time.Duration {
	busy := p.busy - min(p.cost, max(p.work.done-t, 0))
	for i := range p.line.len() {
		busy -= min(p.cost, max(p.line.at(i).done-t, 0))
	}
	return busy
}

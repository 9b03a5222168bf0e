package age

import "time"

// Passage follows the newest valid-time U(t) that has passed one stage and
// keeps the integral of U over time, exactly. Passes may be announced ahead of
// time: they wait in order until the integral is asked for a later instant. The
// zero value has seen no pass. A pass allocates only when more of them wait than
// ever before.
type Passage struct {
	any       bool          // a pass was announced
	newest    time.Duration // valid-time of the last one announced
	announced time.Duration // its instant
	asked     time.Duration // latest instant asked for

	passed bool          // a pass has taken effect
	value  time.Duration // U since then
	since  time.Duration // its instant
	sum    Int128        // integral of U from 0 to since

	ring        []pass // length a power of two
	head, count int
}

type pass struct{ at, validAt time.Duration }

// Pass says that a value of validAt passes the stage at the instant at. now is
// the present: nobody will ask for an instant before it any more. Instants never
// go back from call to call; a value that is not newer than the newest announced
// changes nothing.
func (p *Passage) Pass(now, at, validAt time.Duration) {
	if p.any && validAt <= p.newest {
		return
	}
	if at < p.announced || at < p.asked {
		panic("age: a pass before an earlier one or before an instant already asked for")
	}
	p.any, p.newest, p.announced = true, validAt, at
	p.advance(now)
	if at <= now {
		p.take(pass{at, validAt})
		return
	}
	if p.count == len(p.ring) {
		p.grow()
	}
	p.ring[(p.head+p.count)&(len(p.ring)-1)] = pass{at, validAt}
	p.count++
}

// grow doubles the ring and puts its head first.
func (p *Passage) grow() {
	ring := make([]pass, max(4, 2*len(p.ring)))
	n := copy(ring, p.ring[p.head:])
	copy(ring[n:], p.ring[:p.head])
	p.ring, p.head = ring, 0
}

// advance lets all waiting passes up to now take effect.
func (p *Passage) advance(now time.Duration) {
	for p.count > 0 && p.ring[p.head].at <= now {
		p.take(p.ring[p.head])
		p.head = (p.head + 1) & (len(p.ring) - 1)
		p.count--
	}
}

func (p *Passage) take(n pass) {
	p.sum = p.sum.Add(Product(int64(p.value), int64(n.at-p.since)))
	p.passed, p.value, p.since = true, n.validAt, n.at
}

func (p *Passage) ask(at time.Duration) {
	p.advance(at)
	if at < p.since {
		panic("age: asked for an instant before the present")
	}
	p.asked = max(p.asked, at)
}

// Newest returns U(at), and false when nothing has passed by then. at must not
// lie before the present of an earlier call.
func (p *Passage) Newest(at time.Duration) (time.Duration, bool) {
	p.ask(at)
	return p.value, p.passed
}

// Integral returns the integral of U from 0 to at in square nanoseconds, U
// counting as 0 before the first pass. at as in Newest.
func (p *Passage) Integral(at time.Duration) Int128 {
	p.ask(at)
	return p.sum.Add(Product(int64(p.value), int64(at-p.since)))
}

// Reset makes the passage as new and keeps its memory.
func (p *Passage) Reset() { *p = Passage{ring: p.ring} }

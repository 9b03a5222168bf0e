package bridge

import "time"

// cost is what one broadcast takes out of the buckets.
type cost struct {
	bytes int64
	air   int64 // nanoseconds
}

// limiter is the set of buckets that a broadcast has to find filled.
type limiter struct {
	broadcasts, bytes, air bucket
	on                     struct{ broadcasts, bytes, air, any bool }
}

// ready returns the first instant from now on at which all buckets can pay.
func (l *limiter) ready(now time.Duration, c cost) time.Duration {
	at := now
	if l.on.broadcasts {
		at = max(at, l.broadcasts.ready(now, 1))
	}
	if l.on.bytes {
		at = max(at, l.bytes.ready(now, c.bytes))
	}
	if l.on.air {
		at = max(at, l.air.ready(now, c.air))
	}
	return at
}

func (l *limiter) charge(now time.Duration, c cost) {
	if l.on.broadcasts {
		l.broadcasts.charge(now, 1)
	}
	if l.on.bytes {
		l.bytes.charge(now, c.bytes)
	}
	if l.on.air {
		l.air.charge(now, c.air)
	}
}

func (l *limiter) refund(now time.Duration, c cost) {
	if l.on.broadcasts {
		l.broadcasts.refund(now, 1)
	}
	if l.on.bytes {
		l.bytes.refund(now, c.bytes)
	}
	if l.on.air {
		l.air.refund(now, c.air)
	}
}

// costOf is the cost of a broadcast of this many payload bytes.
func (b *Bridge) costOf(size int) cost {
	c := cost{bytes: int64(size)}
	if b.limit.on.air {
		c.air = int64(b.cfg.Airtime(size))
	}
	return c
}

package bridge

import (
	"math"
	"time"
)

// The price stays between these, so that a silent bus does not drive it to where
// it takes minutes to come back from.
const (
	leastPrice = 1e-6
	mostPrice  = 1e6
)

// price is what a slack policy pays for air: it rises while more air is used than
// aimed at, and falls while less is.
type price struct {
	perMillisecond float64
	target         float64
	spent          time.Duration // on air since the last change
	next           time.Duration // instant of the next change

	perByte float64 // milliseconds
	empty   float64 // milliseconds of a broadcast without records
}

// newPrice takes the air of one byte from the difference between the empty and
// the full payload: where air comes in steps, that is its mean. The seconds count
// from the instant from on: a bridge that begins to work late, as after a restart,
// has not been silent before.
func newPrice(b *Bridge, r *SlackRule, from time.Duration) *price {
	p := &price{perMillisecond: r.Price, target: r.Share, next: from + time.Second}
	empty, full := b.cfg.Airtime(b.codec.header), b.cfg.Airtime(b.cfg.MaxPayload)
	p.empty = milliseconds(empty)
	if room := b.cfg.MaxPayload - b.codec.header; room > 0 {
		p.perByte = milliseconds(full-empty) / float64(room)
	}
	return p
}

// adapt changes the price for each second that has ended by now, by
// exp(0.3 (share of that second / target - 1)), the parenthesis within -2 to 2.
func (p *price) adapt(now time.Duration) {
	for p.next <= now {
		over := p.spent.Seconds()/p.target - 1
		p.perMillisecond *= math.Exp(0.3 * min(max(over, -2), 2))
		p.perMillisecond = min(max(p.perMillisecond, leastPrice), mostPrice)
		p.spent = 0
		p.next += time.Second
	}
}

func milliseconds(d time.Duration) float64 { return float64(d) / 1e6 }

package bridge

import (
	"math"
	"time"
)

// lateness is the cost of the age of a record: ((age + h) / (L - D + h))^p, which
// is 1 at the limit. L is the limit at the glass, D the display's time and h the
// margin; with several views of a record the one that costs most counts.
type lateness struct {
	lines []line
	power int     // 0 = exponent counts
	exp   float64 // exponent
	// refresh is ten times the tightest limit in nanoseconds.
	refresh float64
}

// line is (age + h) / (L - D + h), ages in nanoseconds.
type line struct{ margin, scale float64 }

func newLateness(n *Need, r *SlackRule) lateness {
	l := lateness{exp: r.Power}
	if p := int(r.Power); float64(p) == r.Power && p <= 8 {
		l.power = p
	}
	views := n.Views
	if len(views) == 0 {
		views = []View{{}}
	}
	tightest := never
	for _, v := range views {
		limit := n.limitOf(v)
		tightest = min(tightest, limit)
		h := r.Margin * float64(v.Display)
		l.add(line{h, 1 / max(float64(limit-v.Display)+h, float64(r.Tick))})
	}
	l.refresh = 10 * float64(tightest)
	return l
}

// add keeps the lines that are the highest at some age from 0 on.
func (l *lateness) add(n line) {
	below := func(x, y line) bool { return x.scale <= y.scale && x.margin*x.scale <= y.margin*y.scale }
	kept := l.lines[:0]
	for _, x := range l.lines {
		if below(n, x) {
			return
		}
		if !below(x, n) {
			kept = append(kept, x)
		}
	}
	l.lines = append(kept, n)
}

// of returns the cost of an age in nanoseconds.
func (l *lateness) of(age float64) float64 {
	most := 0.0
	for i := range l.lines {
		most = max(most, (age+l.lines[i].margin)*l.lines[i].scale)
	}
	return l.raise(most)
}

// raise is x to the power.
func (l *lateness) raise(x float64) float64 {
	switch l.power {
	case 0:
		return math.Pow(x, l.exp)
	case 3:
		return x * x * x
	case 4:
		return (x * x) * (x * x)
	}
	y := x
	for range l.power - 1 {
		y *= x
	}
	return y
}

// staying holds the chance that a broadcast is lost when one this long before it
// was: loss + (1 - loss) exp(-d / burst), by whole milliseconds.
type staying struct {
	table []float64
	loss  float64
}

// newStaying stops the table where less than a millionth of the exponential is
// left.
func newStaying(loss float64, burst time.Duration) staying {
	s := staying{loss: loss}
	for d := time.Duration(0); ; d += time.Millisecond {
		rest := math.Exp(-float64(d) / float64(burst))
		if rest < 1e-6 {
			return s
		}
		s.table = append(s.table, loss+float64((1-loss)*rest))
	}
}

func (s *staying) after(d time.Duration) float64 {
	if i := int((d + time.Millisecond/2) / time.Millisecond); i < len(s.table) {
		return s.table[i]
	}
	return s.loss
}

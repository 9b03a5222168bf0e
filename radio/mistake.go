package radio

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Mistake is one wrong value in Settings, Weather, Background or
// ChannelConfig. Their checks return all mistakes joined: the error's
// Unwrap() []error gives them one by one.
type Mistake struct {
	Key   string // the key in a scenario, such as "burst"
	Found string // what stands there
	Want  string // what is expected
}

// Error returns the mistake in one line.
func (m *Mistake) Error() string { return m.Key + ": " + m.Found + ", want " + m.Want }

// mistakes collects what is wrong.
type mistakes []error

// add notes a mistake.
func (m *mistakes) add(key string, found any, want string) {
	*m = append(*m, &Mistake{Key: key, Found: fmt.Sprint(found), Want: want})
}

// err returns all mistakes joined, nil when there are none.
func (m mistakes) err() error { return errors.Join(m...) }

// share notes a value that is no share.
func (m *mistakes) share(key string, x float64) bool {
	if x >= 0 && x <= 1 { // false for NaN
		return true
	}
	m.add(key, x, "a share from 0 to 1")
	return false
}

// between notes a time outside low..high.
func (m *mistakes) between(key string, d, low, high time.Duration) bool {
	if d >= low && d <= high {
		return true
	}
	m.add(key, d, fmt.Sprintf("a time from %v to %v", low, high))
	return false
}

// finite says whether x is a number.
func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

package survey

import (
	"fmt"
	"time"
)

// commonRates are the bit rates in use on buses of machines, highest first.
var commonRates = [...]int{1_000_000, 800_000, 500_000, 250_000, 125_000, 100_000, 83_333, 50_000, 33_333, 20_000, 10_000}

// spacing tells the bit rate from the distances of frames: two frames cannot be
// received closer than the second one takes with its intermission, and where the
// second waited for the first they are received exactly so far apart.
type spacing struct {
	pairs uint64
	early [len(commonRates)]uint64 // pairs for which this is the highest rate that is too slow
	hits  [len(commonRates)]uint64 // pairs as far apart as the rate makes back-to-back frames
	fine  bool                     // a stamp was met that is no multiple of coarse
	zero  uint64                   // pairs with the same stamp
}

const (
	coarse    = 10 * time.Microsecond
	tolerance = 0.04 // between neighbouring rates there is at least 0.17
)

// add takes in a pair: the bits of the second frame with its intermission, and
// how far apart they were received.
func (s *spacing) add(bits int, apart, at time.Duration) {
	s.pairs++
	s.fine = s.fine || at%coarse != 0
	if apart <= 0 {
		s.zero++
		return
	}
	rate := float64(bits) / apart.Seconds()
	for i, common := range commonRates {
		c := float64(common)
		if rate > c*(1+tolerance) {
			s.early[i]++
			return
		}
		if rate >= c*(1-tolerance) {
			s.hits[i]++
		}
	}
}

// BitRate is a bit rate and where it comes from.
type BitRate struct {
	Value   int // bit/s
	Data    int // bit/s of the data phase
	Guessed bool
	Sure    bool   // a guess that the spacing of frames speaks for
	Reason  string // in a sentence
}

// guess returns the bit rate that the distances and the load speak for.
// peak is the most bits in any window of a length.
func (s *spacing) guess(peak int64, window time.Duration) BitRate {
	needed := float64(peak) / window.Seconds()
	if s.pairs == 0 {
		return s.byLoad(needed, "no two frames of the classic format follow each other")
	}
	if !s.fine {
		return s.byLoad(needed, fmt.Sprintf("the stamps are multiples of %v, too coarse for the distances of frames", coarse))
	}
	if s.zero*50 > s.pairs {
		return s.byLoad(needed, fmt.Sprintf("%.0f %% of the frames have the stamp of the one before, so that distances say nothing", 100*float64(s.zero)/float64(s.pairs)))
	}
	// The lowest rate that hardly any pair is too close for.
	best, tooClose := 0, uint64(0)
	allowed := s.pairs / 500
	for i := range commonRates {
		tooClose += s.early[i]
		if tooClose > allowed || needed > float64(commonRates[i]) {
			break
		}
		best = i
	}
	r := BitRate{Value: commonRates[best], Guessed: true}
	// An idle bus leaves slow rates possible: then the rate with most back-to-back pairs.
	for i := best; i >= 0; i-- {
		if s.hits[i] > 2*s.hits[best] {
			best = i
		}
	}
	r.Value = commonRates[best]
	if s.hits[best] < 20 || s.hits[best]*2000 < s.pairs {
		return s.byLoad(needed, "hardly any frames follow each other directly")
	}
	r.Sure = true
	r.Reason = fmt.Sprintf("%d frames follow the one before as closely as %s allows", s.hits[best], rateText(r.Value))
	if best+1 < len(commonRates) {
		n := uint64(0)
		for _, early := range s.early[:best+2] {
			n += early
		}
		r.Reason += fmt.Sprintf("; at %s %d would have come too early", rateText(commonRates[best+1]), n)
	}
	return r
}

// usualRate is taken where nothing speaks for another one.
const usualRate = 500_000

// byLoad falls back on the usual rate, or on the highest for a load beyond it.
func (s *spacing) byLoad(needed float64, why string) BitRate {
	r := BitRate{Value: usualRate, Guessed: true}
	if needed > usualRate {
		r.Value = commonRates[0]
	}
	r.Reason = "assumed: " + why
	if needed > 0 {
		r.Reason += fmt.Sprintf("; the load needs at least %s", rateText(int(needed)))
	}
	return r
}

func rateText(rate int) string {
	switch {
	case rate >= 1_000_000 && rate%1_000_000 == 0:
		return fmt.Sprintf("%d Mbit/s", rate/1_000_000)
	case rate >= 1000:
		return fmt.Sprintf("%.4g kbit/s", float64(rate)/1000)
	}
	return fmt.Sprintf("%d bit/s", rate)
}

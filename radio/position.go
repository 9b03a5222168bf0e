package radio

import (
	"fmt"
	"time"
)

// Position is a named weather: what a receiver at such a place might meet.
type Position struct {
	Name    string
	What    string // one line
	Weather Weather
}

// PositionsAre is what must be said wherever positions are shown.
const PositionsAre = "illustrative: shares and bursts are judgement, not measured; distance is not modelled"

// Positions returns the illustrative positions in a fixed order. No published
// measurement gave loss shares and burst lengths inside a vehicle, so all
// figures are invented. The slice belongs to the caller.
func Positions() []Position {
	return []Position{
		{"quiet", "in sight of the sender, nobody else near",
			Weather{Loss: 0.01, Burst: 5 * time.Millisecond, GoodLoss: 0.005}},
		{"obstructed", "behind sheet metal or people, fading as things move",
			Weather{Loss: 0.05, Burst: 60 * time.Millisecond, GoodLoss: 0.01,
				LongShare: 0.005, LongBurst: time.Second, LongLoss: 0.8}},
		{"busy-access-point", "beside an access point that carries traffic in bursts",
			Weather{Loss: 0.10, Burst: 8 * time.Millisecond, GoodLoss: 0.02, BadLoss: 0.7}},
	}
}

// mostSpans bounds a list of outages.
const mostSpans = 1_000_000

// Scans returns the outages of a receiver that leaves its channel for length
// out of every period to look for others, from the instant first on, for
// Weather.Outages. The last one begins before until. Otherwise it returns every
// mistake, each a *Mistake, joined.
func Scans(first, every, length, until time.Duration) ([]Span, error) {
	var m mistakes
	m.between("first", first, 0, longestBurst)
	m.between("until", until, 0, longestBurst)
	if m.between("every", every, 1, longestBurst) {
		m.between("length", length, 1, every)
	}
	if len(m) == 0 && until > first && (until-first-1)/every+1 > mostSpans {
		m.add("every", every, fmt.Sprintf("a period with at most %d outages until %v", mostSpans, until))
	}
	if err := m.err(); err != nil {
		return nil, err
	}
	var spans []Span
	for at := first; at < until; at += every {
		spans = append(spans, Span{at, at + length})
	}
	return spans, nil
}

// ChannelMove returns the outage of a receiver whose channel moves at an
// instant and that needs a time, above 0, to follow.
func ChannelMove(at, takes time.Duration) Span { return Span{at, later(at, takes)} }

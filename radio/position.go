package radio

import "time"

// Position is a named weather: what a receiver at such a place might meet.
type Position struct {
	Name    string
	What    string // one line
	Weather Weather
}

// PositionsAre is what must be said wherever positions are shown.
const PositionsAre = "illustrative: judgement, not measured"

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

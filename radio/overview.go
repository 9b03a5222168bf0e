package radio

import (
	"strconv"
	"time"
)

// occupier is implemented by every profile: the mean time that a broadcast of
// n bytes takes of a lone station that always has the next one ready.
type occupier interface {
	occupancy(n int) time.Duration
}

// Row is what one profile can do with broadcasts of one size, on a medium that
// it has for itself.
type Row struct {
	Profile    string
	MaxPayload int           // bytes
	Payload    int           // bytes that the following lines are for: as asked, at most MaxPayload
	Airtime    time.Duration // energy on the air
	Occupancy  time.Duration // mean time of one broadcast with access, spacing and duty limit
	PerSecond  float64       // broadcasts, 1/Occupancy; 0 when Occupancy is 0
	OwnShare   float64       // share of time on the air at that rate
	Headline   string        // see the function Headline
}

// Overview returns the row of a profile for a payload in bytes, 0 or less for
// the largest. A payload beyond the limit is cut to it, which Row.Payload shows.
func Overview(p Profile, payload int) Row {
	if payload <= 0 || payload > p.MaxPayload() {
		payload = p.MaxPayload()
	}
	r := Row{Profile: p.Name(), MaxPayload: p.MaxPayload(), Payload: payload, Airtime: p.Airtime(payload)}
	if r.Occupancy = p.(occupier).occupancy(payload); r.Occupancy > 0 {
		r.PerSecond = 1 / r.Occupancy.Seconds()
		r.OwnShare = float64(r.Airtime) / float64(r.Occupancy)
	}
	r.Headline, _ = Headline(p)
	return r
}

// percent writes a share.
func percent(share float64) string { return strconv.FormatFloat(100*share, 'g', 4, 64) + " %" }

func (p *ActionFrame) occupancy(n int) time.Duration {
	busy := p.Airtime(n) + p.access.Extension
	if p.blind {
		return busy
	}
	return busy + p.access.DIFS + time.Duration(p.access.Window)*p.access.Slot/2
}

func (p *Ideal) occupancy(n int) time.Duration { return p.Airtime(n) }

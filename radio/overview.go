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

// Choice is a profile with settings worth comparing.
type Choice struct {
	Settings
	Keys string // what is not the default, as in a scenario: "rate=6Mbit/s"; "" = all is
}

// Choices returns every profile that is a radio, with its default settings first
// and then with those that change its airtime most. The slice belongs to the
// caller.
func Choices() []Choice {
	action := func(keys string, s Settings) Choice { s.Name = nameActionFrame; return Choice{s, keys} }
	extended := func(keys string, s Settings) Choice { s.Name = nameExtended; return Choice{s, keys} }
	all := []Choice{
		action("", Settings{}),
		action("rate=6Mbit/s", Settings{Rate: 6_000_000}),
		action("rate=24Mbit/s", Settings{Rate: 24_000_000}),
		action("format=multi-element", Settings{Format: "multi-element"}),
		{Settings{Name: nameLowRate}, ""},
		{Settings{Name: nameLegacy}, ""},
		{Settings{Name: nameLegacy, Interval: 20 * time.Millisecond}, "interval=20ms"},
		extended("", Settings{}),
		extended("interval=20ms", Settings{Interval: 20 * time.Millisecond}),
		extended("rate=2Mbit/s", Settings{Rate: 2_000_000}),
		extended("rate=125kbit/s", Settings{Rate: 125_000}),
		{Settings{Name: nameGFSK}, ""},
		{Settings{Name: nameGFSK, Rate: 250_000}, "rate=250kbit/s"},
		{Settings{Name: nameGFSK, Rate: 2_000_000}, "rate=2Mbit/s"},
		{Settings{Name: nameLoRa}, ""},
	}
	for factor := 9; factor <= 12; factor += 3 {
		all = append(all, Choice{Settings{Name: nameLoRa, SpreadingFactor: factor}, "spreading_factor=" + strconv.Itoa(factor)})
	}
	return append(all, Choice{Settings{Name: nameLoRa, SubBand: "869.4-869.65"}, "sub_band=869.4-869.65"})
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

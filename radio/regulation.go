package radio

import "time"

// SubBand is a stretch of the spectrum below 1 GHz with its largest duty cycle
// in Europe. These are headlines: check the rules where you are. The duty cycle
// holds per sub-band, is relaxed for polite access, and editions differ (Saelens
// et al. 2019).
type SubBand struct {
	Name      string  // such as "868.0-868.6"
	Low, High float64 // MHz
	Duty      float64 // share of the time, 0..1
	Milliwatt float64 // effective radiated power; 0 where no figure was found
}

// SubBands returns the sub-bands of EN 300 220-2 that are listed, by frequency,
// as quoted from its edition 3.2.1. The slice belongs to the caller.
func SubBands() []SubBand {
	return []SubBand{
		{Name: "863-865", Low: 863, High: 865, Duty: 0.001},
		{Name: "868.0-868.6", Low: 868, High: 868.6, Duty: 0.01, Milliwatt: 25},
		{Name: "868.7-869.2", Low: 868.7, High: 869.2, Duty: 0.001, Milliwatt: 25},
		{Name: "869.4-869.65", Low: 869.4, High: 869.65, Duty: 0.1, Milliwatt: 500},
		{Name: "869.7-870.0", Low: 869.7, High: 870, Duty: 0.01, Milliwatt: 25},
	}
}

// PerHour returns the time on the air that the duty cycle leaves in one hour.
func (b SubBand) PerHour() time.Duration { return time.Duration(b.Duty * float64(time.Hour)) }

// MediumUtilisation returns power / 100 mW x share, the measure of EN 300 328
// V1.8.1 for equipment at 2.4 GHz that does not adapt: of its radiated power in
// mW and the share of time on the air. It may be 0.1; below 10 dBm nothing need
// adapt.
func MediumUtilisation(milliwatt, share float64) float64 { return milliwatt / 100 * share }

// UtilisationShare returns the largest share of time on the air, at most 1, that
// keeps within a medium utilisation at a radiated power in mW above 0.
func UtilisationShare(utilisation, milliwatt float64) float64 {
	return min(1, utilisation*100/milliwatt)
}

// Headline returns the rule that limits the time on the air of a profile, in
// one line for the reader; "" where none is known. It is information: nothing
// is enforced by it. Share is the largest share of time on the air that it
// leaves, 1 where power or adaptivity decides.
func Headline(p Profile) (text string, share float64) {
	switch p := p.(type) {
	case *LoRa:
		if p.band.Name == "none" {
			return "no sub-band chosen; EN 300 220-2 sets a duty cycle per sub-band; check your local rules", 1
		}
		return "EN 300 220-2, " + p.band.Name + " MHz: " + percent(p.band.Duty) + " of the time; check your local rules", p.band.Duty
	case *Ideal:
		return "", 1
	}
	return "EN 300 328: power/100 mW x share of time at most 10 % unless adaptive or below 10 dBm; check your local rules", 1
}

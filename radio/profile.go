package radio

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Info describes a profile that NewProfile knows.
type Info struct {
	Name     string
	What     string // one line
	Standard string // clause; empty when there is none
	Shared   bool   // stations and background senders share its medium; on others a background means nothing
}

// The names of the profiles.
const (
	nameActionFrame = "action-frame"
	nameIdeal       = "ideal"
)

// Profiles returns the profiles in a fixed order. The slice belongs to the
// caller.
func Profiles() []Info {
	return []Info{
		{nameActionFrame, "group-addressed vendor-specific action frames at 2.4 GHz, DSSS to ERP-OFDM",
			"IEEE 802.11-2016 9.6 (action frames), 10.3 (DCF), 15 to 18 (PHY)", true},
		{nameIdeal, "a given airtime, no access wait, no collisions", "", false},
	}
}

// Settings choose and tune a profile. The zero value of a field means the
// profile's default; a field that a profile does not have must stay zero.
type Settings struct {
	Name string // of the profile; "" = action-frame

	// Action frames.

	Rate     int           // bit/s: 1, 2, 5.5, 11 (DSSS), 6, 9, 12, 18, 24, 36, 48, 54 Mbit/s (OFDM); 0 = 1 Mbit/s
	Preamble string        // "long" or "short", short for DSSS from 2 Mbit/s only; "" = long
	Format   string        // "single-element" (250 bytes) or "multi-element" (1470 bytes); "" = single-element
	Slot     string        // "long" (20 us) or "short" (9 us); "" = long for DSSS, short for OFDM
	Window   int           // contention window CW, 1..1023; 0 = 31 for DSSS, 15 for OFDM
	DIFS     time.Duration // silence before any access; 0 = SIFS + 2 slots
	EIFS     bool          // listeners wait EIFS instead of DIFS after a collision
	// NoCarrierSense stations send at once whatever is on the air and draw no
	// backoff (pure ALOHA). Background senders still defer to them.
	NoCarrierSense bool
	Capture        float64 // dB by which a broadcast must exceed every other at the same time to survive; 0 = never

	// The ideal profile.

	Airtime time.Duration // of every broadcast, 0..1h
	PerByte time.Duration // added for each payload byte, 0..1s
	Payload int           // payload limit, 1..65535; 0 = 250
}

// longestAirtime bounds what a scenario can ask for: longer is a mistake.
const longestAirtime = time.Hour

// Check returns every mistake in s, each a *Mistake, joined.
func (s Settings) Check() error {
	_, err := NewProfile(s)
	return err
}

// NewProfile returns the profile that s describes, or every mistake in s
// joined, each a *Mistake.
func NewProfile(s Settings) (Profile, error) {
	var m mistakes
	var p Profile
	switch s.Name {
	case nameActionFrame, "":
		p = newActionFrame(s, &m)
	case nameIdeal:
		p = newIdeal(s, &m)
	default:
		var names []string
		for _, i := range Profiles() {
			names = append(names, i.Name)
		}
		m.add("profile", fmt.Sprintf("%q", s.Name), "one of "+strings.Join(names, ", "))
	}
	if err := m.err(); err != nil {
		return nil, err
	}
	return p, nil
}

// oneOf returns the word, the first of words for "", and notes any other.
func (m *mistakes) oneOf(key, word string, words ...string) string {
	if word == "" {
		return words[0]
	}
	if !slices.Contains(words, word) {
		m.add(key, fmt.Sprintf("%q", word), "one of "+strings.Join(words, ", "))
	}
	return word
}

// unused notes a setting that the profile does not have.
func (m *mistakes) unused(key string, set bool, profile string) {
	if set {
		m.add(key, "given", "nothing: the profile "+profile+" has no such setting")
	}
}

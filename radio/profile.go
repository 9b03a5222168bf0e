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
	// Advertises says that broadcasts leave in advertising events, which the
	// medium opens by itself (see Opened), and that receivers scan for them
	// (see Scanner).
	Advertises bool
}

// The names of the profiles.
const (
	nameActionFrame = "action-frame"
	nameLowRate     = "802.15.4"
	nameLegacy      = "ble-legacy"
	nameExtended    = "ble-extended"
	nameGFSK        = "gfsk-packet"
	nameLoRa        = "lora"
	nameIdeal       = "ideal"
)

// Profiles returns the profiles in a fixed order. The slice belongs to the
// caller.
func Profiles() []Info {
	return []Info{
		{Name: nameActionFrame, Shared: true,
			What:     "group-addressed vendor-specific action frames at 2.4 GHz, DSSS to ERP-OFDM",
			Standard: "IEEE 802.11-2016 9.6 (action frames), 10.3 (DCF), 15 to 18 (PHY)"},
		{Name: nameLowRate, Shared: true,
			What:     "broadcast data frames at 2.4 GHz, O-QPSK 250 kbit/s, unslotted CSMA-CA",
			Standard: "IEEE 802.15.4-2015 6.2.5 (CSMA-CA), 7.3 (data frames), 12 (O-QPSK PHY)"},
		{Name: nameLegacy, Shared: true, Advertises: true,
			What:     "legacy advertising, 31 bytes on three channels, 1M",
			Standard: "Bluetooth Core 5.0, Volume 6 Part B 2.3 (advertising PDUs), 4.4.2 (advertising state)"},
		{Name: nameExtended, Shared: true, Advertises: true,
			What:     "extended advertising, one auxiliary packet, 1M, 2M or coded",
			Standard: "Bluetooth Core 5.0, Volume 6 Part B 2.3.4 (extended advertising), 2.2 (coded packets)"},
		{Name: nameGFSK, Shared: true,
			What: "GFSK packets of 0 to 32 bytes at 2.4 GHz, sent without listening"},
		{Name: nameLoRa, Shared: true,
			What: "LoRa packets below 1 GHz, sent without listening, under a duty cycle"},
		{Name: nameIdeal, What: "a given airtime, no access wait, no collisions"},
	}
}

// InfoOf returns the description of a profile that NewProfile made.
func InfoOf(p Profile) Info {
	all := Profiles()
	return all[slices.IndexFunc(all, func(i Info) bool { return i.Name == p.Name() })]
}

// Settings choose and tune a profile. The zero value of a field means the
// profile's default; a field that a profile does not have must stay zero.
type Settings struct {
	Name string // of the profile; "" = action-frame

	// Of several profiles.

	// Rate in bit/s. Action frames: 1, 2, 5.5, 11 (DSSS), 6, 9, 12, 18, 24,
	// 36, 48, 54 Mbit/s (OFDM); 0 = 1 Mbit/s. Extended advertising: 1 or 2
	// Mbit/s, 500 or 125 kbit/s (coded) for the auxiliary packet; 0 = 1 Mbit/s.
	// GFSK packets: 250 kbit/s, 1 or 2 Mbit/s; 0 = 1 Mbit/s.
	Rate int
	// Format of the payload. Action frames: "single-element" (250 bytes) or
	// "multi-element" (1470 bytes); "" = single-element. Advertising: "raw"
	// (31 or 245 bytes) or "manufacturer-specific" (4 bytes less); "" = raw.
	Format  string
	Capture float64 // all but ideal: dB by which a broadcast must exceed every other at the same time to survive; 0 = never

	// Action frames.

	Preamble string        // "long" or "short", short for DSSS from 2 Mbit/s only; "" = long
	Slot     string        // "long" (20 us) or "short" (9 us); "" = long for DSSS, short for OFDM
	Window   int           // contention window CW, 1..1023; 0 = 31 for DSSS, 15 for OFDM
	DIFS     time.Duration // silence before any access; 0 = SIFS + 2 slots
	EIFS     bool          // listeners wait EIFS instead of DIFS after a collision
	// NoCarrierSense stations send at once whatever is on the air and draw no
	// backoff (pure ALOHA). Background senders still defer to them.
	NoCarrierSense bool

	// 802.15.4.

	Addressing         string // "none", "16-bit" or "64-bit"; "" = 16-bit
	BackoffExponent    int    // macMinBE, 1..8; 0 = 3
	MaxBackoffExponent int    // macMaxBE, 3..8; 0 = 5
	Assessments        int    // busy ones that make an access fail, macMaxCSMABackoffs + 1, 1..6; 0 = 5

	// Advertising.

	Interval    time.Duration // advInterval, 20ms..10.24s in steps of 625us; 0 = 100ms
	Spacing     time.Duration // from the end of a primary packet to the next one, 1us..10ms; 0 = 150us
	PrimaryRate int           // extended: bit/s on the primary channels, 1 Mbit/s or 125 kbit/s (coded); 0 = coded when Rate is

	// GFSK packets.

	AddressBytes  int // 3..5; 0 = 5
	ChecksumBytes int // 1 or 2; 0 = 2

	// LoRa.

	SpreadingFactor int    // 7..12; 0 = 7
	Bandwidth       int    // Hz: 125000, 250000, 500000; 0 = 125000
	CodingRate      string // "4/5" to "4/8"; "" = 4/5
	PreambleSymbols int    // 6..65535; 0 = 8
	ImplicitHeader  bool   // no header on the air
	NoChecksum      bool   // no CRC behind the payload
	LowDataRate     string // optimisation "auto" (symbols of 16 ms or more), "on" or "off"; "" = auto
	SubBand         string // name of one of SubBands, or "none"; "" = 868.0-868.6

	// GFSK packets and LoRa.

	Duty     float64 // largest share of the time on the air, above 0 to 1; 0 = that of the sub-band, 1 without
	DutyRule string  // what becomes of a broadcast that must not leave yet: "wait" or "drop"; "" = wait

	// The ideal profile.

	Airtime time.Duration // of every broadcast, 0..1h
	PerByte time.Duration // added for each payload byte, 0..1s
	Payload int           // payload limit, 1..65535; 0 = 250
}

// keys says which fields of s are set, in the order of the messages.
func (s Settings) keys() []settingKey {
	return []settingKey{
		{"rate", s.Rate != 0}, {"preamble", s.Preamble != ""}, {"format", s.Format != ""},
		{"slot", s.Slot != ""}, {"window", s.Window != 0}, {"difs", s.DIFS != 0}, {"eifs", s.EIFS},
		{"defers", s.NoCarrierSense}, {"capture", s.Capture != 0},
		{"addressing", s.Addressing != ""}, {"backoff_exponent", s.BackoffExponent != 0},
		{"max_backoff_exponent", s.MaxBackoffExponent != 0}, {"assessments", s.Assessments != 0},
		{"interval", s.Interval != 0}, {"spacing", s.Spacing != 0}, {"primary_rate", s.PrimaryRate != 0},
		{"address_bytes", s.AddressBytes != 0}, {"checksum_bytes", s.ChecksumBytes != 0},
		{"spreading_factor", s.SpreadingFactor != 0}, {"bandwidth", s.Bandwidth != 0},
		{"coding_rate", s.CodingRate != ""}, {"preamble_symbols", s.PreambleSymbols != 0},
		{"implicit_header", s.ImplicitHeader}, {"no_checksum", s.NoChecksum},
		{"low_data_rate", s.LowDataRate != ""}, {"sub_band", s.SubBand != ""},
		{"duty", s.Duty != 0}, {"duty_rule", s.DutyRule != ""},
		{"airtime", s.Airtime != 0}, {"per_byte", s.PerByte != 0}, {"payload", s.Payload != 0},
	}
}

// settingKey is a field of Settings by its key in a scenario.
type settingKey struct {
	key string
	set bool
}

// SettingKeys returns the keys of the settings that a profile of this name has;
// nil for an unknown name. The slice belongs to the caller.
func SettingKeys(profile string) []string { return slices.Clone(settingKeys[profile]) }

var settingKeys = map[string][]string{
	nameActionFrame: {"rate", "preamble", "format", "slot", "window", "difs", "eifs", "defers", "capture"},
	nameLowRate:     {"capture", "addressing", "backoff_exponent", "max_backoff_exponent", "assessments"},
	nameLegacy:      {"format", "capture", "interval", "spacing"},
	nameExtended:    {"rate", "format", "capture", "interval", "spacing", "primary_rate"},
	nameGFSK:        {"rate", "capture", "address_bytes", "checksum_bytes", "duty", "duty_rule"},
	nameLoRa: {"capture", "spreading_factor", "bandwidth", "coding_rate", "preamble_symbols", "implicit_header",
		"no_checksum", "low_data_rate", "sub_band", "duty", "duty_rule"},
	nameIdeal: {"airtime", "per_byte", "payload"},
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
	case nameLowRate:
		p = newLowRate(s, &m)
	case nameLegacy:
		p = newLegacy(s, &m)
	case nameExtended:
		p = newExtended(s, &m)
	case nameGFSK:
		p = newGFSK(s, &m)
	case nameLoRa:
		p = newLoRa(s, &m)
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

// only notes the settings that are given though the profile does not have them.
func (m *mistakes) only(s Settings, profile string) {
	for _, k := range s.keys() {
		if k.set && !slices.Contains(settingKeys[profile], k.key) {
			m.add(k.key, "given", "nothing: the profile "+profile+" has no such setting")
		}
	}
}

// oneRate returns the rate in bit/s, the first of rates for 0, and notes any
// other.
func (m *mistakes) oneRate(key string, bits int, rates ...int) int {
	if bits == 0 {
		return rates[0]
	}
	if !slices.Contains(rates, bits) {
		var names []string
		for _, r := range rates {
			names = append(names, rateName(r))
		}
		m.add(key, rateName(bits), "one of "+strings.Join(names, ", "))
		return rates[0]
	}
	return bits
}

// rateName writes a rate in bit/s as a scenario does.
func rateName(bits int) string {
	if bits%1_000_000 != 0 && bits%1000 == 0 && bits < 1_000_000 {
		return fmt.Sprintf("%dkbit/s", bits/1000)
	}
	return rate{bits: bits}.String()
}

// whole returns the number, or preset for 0, and notes one outside low..high.
func (m *mistakes) whole(key string, x, preset, low, high int, unit string) int {
	if x == 0 {
		return preset
	}
	if x < low || x > high {
		m.add(key, x, fmt.Sprintf("%d to %d%s", low, high, unit))
		return preset
	}
	return x
}

// level notes a capture level that is none.
func (m *mistakes) level(db float64) {
	if !finite(db) || db < 0 {
		m.add("capture", db, "a power difference in dB, 0 or more")
	}
}

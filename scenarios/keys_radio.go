package scenarios

import "stalegauge/radio"

// profileNames are the words that radio.profile may hold.
func profileNames() []string {
	var out []string
	for _, p := range radio.Profiles() {
		out = append(out, p.Name)
	}
	return out
}

// advertisingProfiles are the profiles whose receivers scan.
func advertisingProfiles() []string {
	var out []string
	for _, p := range radio.Profiles() {
		if p.Advertises {
			out = append(out, p.Name)
		}
	}
	return out
}

// subBandNames are the words that radio.sub_band may hold.
func subBandNames() []string {
	out := []string{"none"}
	for _, s := range radio.SubBands() {
		out = append(out, s.Name)
	}
	return out
}

var radioKeys = []Key{
	{Path: "radio", kind: section, shorthand: "profile", About: "how bytes go on the air"},
	{Path: "radio.profile", kind: word, Default: "action-frame", Words: profileNames(), About: "radio profile", Origin: reported, matters: true},
	{Path: "radio.rate", kind: bitRate, Default: "1Mbit/s", Min: "100kbit/s", Max: "54Mbit/s", About: "rate of the physical layer", Origin: reported, matters: true},
	{Path: "radio.format", kind: word, Default: "default", Words: []string{"default", "single-element", "multi-element", "raw", "manufacturer-specific"}, About: "form of the payload; default = single-element for action frames, raw for advertising", Origin: reported, matters: true},
	{Path: "radio.capture", kind: number, Default: "none", Words: []string{"none"}, Min: "0.1", Max: "100", About: "level in dB that saves the stronger of two broadcasts", Origin: neutral},
	{Path: "radio.preamble", kind: word, Default: "long", Words: []string{"long", "short"}, About: "DSSS preamble; short from 2Mbit/s on", Origin: standard},
	{Path: "radio.slot", kind: word, Default: "default", Words: []string{"default", "long", "short"}, About: "slot of 20us or 9us; default = long for DSSS, short for OFDM", Origin: standard},
	{Path: "radio.window", kind: whole, Default: "default", Words: []string{"default"}, Min: "1", Max: "1023", About: "contention window; default = 31 for DSSS, 15 for OFDM", Origin: standard},
	{Path: "radio.difs", kind: duration, Default: "default", Words: []string{"default"}, Min: "1us", Max: "1s", About: "silence before any access; default = SIFS + 2 slots", Origin: standard},
	{Path: "radio.eifs", kind: truth, Default: "false", About: "listeners wait longer after a collision", Origin: judgement},
	{Path: "radio.defers", kind: truth, Default: "true", About: "the bridge listens before it sends", Origin: standard},
	{Path: "radio.addressing", kind: word, Default: "16-bit", Words: []string{"none", "16-bit", "64-bit"}, About: "address fields of a frame", Origin: judgement},
	{Path: "radio.backoff_exponent", kind: whole, Default: "3", Min: "1", Max: "8", About: "macMinBE", Origin: lowRate},
	{Path: "radio.max_backoff_exponent", kind: whole, Default: "5", Min: "3", Max: "8", About: "macMaxBE", Origin: lowRate},
	{Path: "radio.assessments", kind: whole, Default: "5", Min: "1", Max: "6", About: "busy channel assessments that make an access fail", Origin: lowRate},
	{Path: "radio.interval", kind: duration, Default: "100ms", Min: "20ms", Max: "10.24s", About: "advertising interval, in steps of 625us", Origin: judgement, matters: true},
	{Path: "radio.spacing", kind: duration, Default: "150us", Min: "150us", Max: "10ms", About: "from one packet of an advertising event to the next", Origin: advertising},
	{Path: "radio.primary_rate", kind: bitRate, Default: "default", Words: []string{"default"}, Min: "100kbit/s", Max: "2Mbit/s", About: "rate on the primary channels; default = coded when rate is", Origin: advertising},
	{Path: "radio.address_bytes", kind: whole, Default: "5", Min: "3", Max: "5", About: "address of a GFSK packet", Origin: judgement},
	{Path: "radio.checksum_bytes", kind: whole, Default: "2", Min: "1", Max: "2", About: "check sequence of a GFSK packet", Origin: judgement},
	{Path: "radio.spreading_factor", kind: whole, Default: "7", Min: "7", Max: "12", About: "bits a symbol", Origin: judgement, matters: true},
	{Path: "radio.bandwidth", kind: frequency, Default: "125kHz", Min: "125kHz", Max: "500kHz", About: "125kHz, 250kHz or 500kHz", Origin: judgement, matters: true},
	{Path: "radio.coding_rate", kind: word, Default: "4/5", Words: []string{"4/5", "4/6", "4/7", "4/8"}, About: "error correction", Origin: judgement},
	{Path: "radio.preamble_symbols", kind: whole, Default: "8", Min: "6", Max: "65535", About: "length of the preamble", Origin: judgement},
	{Path: "radio.implicit_header", kind: truth, Default: "false", About: "no header on the air", Origin: judgement},
	{Path: "radio.no_checksum", kind: truth, Default: "false", About: "no check sequence behind the payload", Origin: judgement},
	{Path: "radio.low_data_rate", kind: word, Default: "auto", Words: []string{"auto", "on", "off"}, About: "low data rate optimisation; auto = from symbols of 16ms on", Origin: judgement},
	{Path: "radio.sub_band", kind: word, Default: "868.0-868.6", Words: subBandNames(), About: "band whose duty cycle holds", Origin: regional, matters: true},
	{Path: "radio.duty", kind: share, Default: "sub-band", Words: []string{"sub-band"}, Min: "0.001%", Max: "100%", About: "largest share of the time on the air; 100% without a sub-band", Origin: regional, matters: true},
	{Path: "radio.duty_rule", kind: word, Default: "wait", Words: []string{"wait", "drop"}, About: "what becomes of a broadcast that the duty cycle forbids for now", Origin: judgement},
	{Path: "radio.radiated", kind: power, Default: "unknown", Words: []string{"unknown"}, Min: "0.001mW", Max: "10W", About: "radiated power (e.i.r.p.); with it the report gives the medium utilisation", Origin: neutral, noted: true},
	{Path: "radio.utilisation", kind: share, Default: "none", Words: []string{"none"}, Min: "0.001%", Max: "100%", About: "largest medium utilisation: radiated/100mW x share of the time on air; what lies beyond waits or is dropped as bridge.limit.on_limit says", Origin: neutral, noted: true},
	{Path: "radio.airtime", kind: duration, Default: "0", Min: "0", Max: "1h", About: "time on air of every broadcast", Origin: neutral, matters: true},
	{Path: "radio.per_byte", kind: duration, Default: "0", Min: "0", Max: "1s", About: "added for each byte of payload", Origin: neutral},
	{Path: "radio.payload", kind: whole, Default: "250", Min: "1", Max: "65535", About: "payload limit in bytes", Origin: reported},
	{Path: "air", kind: section, About: "who else is on the channel"},
	{Path: "air.background", kind: names, About: "other senders", matters: true, Origin: neutral},
	{Path: "air.background.*", kind: section, shorthand: "share", About: "a sender that is nobody's bridge"},
	{Path: "air.background.*.share", kind: share, Default: "15%", Min: "0%", Max: "100%", About: "share of the time on air that it offers", Origin: judgement, matters: true},
	{Path: "air.background.*.frame", kind: duration, Default: "1ms", Min: "1us", Max: "1s", About: "time on air of one of its frames", Origin: judgement, matters: true},
	{Path: "air.background.*.bursts", kind: number, Default: "1", Min: "1", Max: "1000000", About: "mean number of frames that arrive together", Origin: neutral, matters: true},
	{Path: "air.background.*.window", kind: whole, Default: "profile", Words: []string{"profile"}, Min: "1", Max: "1023", About: "contention window", Origin: standard},
	{Path: "air.background.*.hidden", kind: truth, Default: "false", About: "neither defers nor is deferred to", Origin: neutral, matters: true},
	{Path: "air.background.*.deaf", kind: truth, Default: "false", About: "does not defer, though others defer to it", Origin: neutral, matters: true},
	{Path: "air.background.*.power", kind: number, Default: "0", Min: "-200", Max: "200", About: "level at the receivers in dB against the bridge's; matters with radio.capture", Origin: neutral},
	{Path: "air.background.*.from", kind: duration, Default: "0", Min: "0", Max: "1000h", About: "begin of its activity", Origin: neutral},
	{Path: "air.background.*.until", kind: duration, Default: "end", Words: []string{"end"}, Min: "0", Max: "1000h", About: "end of its activity", Origin: neutral},
	{Path: "neighbours", kind: names, About: "other vehicles of this kind on the channel, with bridges and receivers of their own", Origin: neutral},
	{Path: "neighbours.*", kind: section, shorthand: "count", About: "equal vehicles"},
	{Path: "neighbours.*.count", kind: whole, Default: "1", Min: "0", Max: "64", About: "how many", Origin: neutral},
	{Path: "neighbours.*.from", kind: duration, Default: "0", Min: "0", Max: "1000h", About: "in range from here", Origin: neutral},
	{Path: "neighbours.*.until", kind: duration, Default: "end", Words: []string{"end"}, Min: "1us", Max: "1000h", About: "to here", Origin: neutral},
	{Path: "neighbours.*.power", kind: number, Default: "0", Min: "-200", Max: "200", About: "level at the receivers in dB against the bridge's; matters with radio.capture", Origin: neutral},
	{Path: "neighbours.*.set", kind: whole, Default: "next", Words: []string{"next"}, Min: "0", Max: "65535", About: "set identifier of the first; the others count up", Origin: program},
	{Path: "weather", kind: section, shorthand: "loss", About: "loss between bridge and receiver, for receivers that do not say otherwise"},
	{Path: "weather.loss", kind: share, Default: "1%", Min: "0%", Max: "100%", About: "share of broadcasts lost", Origin: judgement, matters: true},
	{Path: "weather.burst", kind: duration, Default: "5ms", Min: "100us", Max: "1h", About: "mean time in the bad state", Origin: reported, matters: true},
	{Path: "weather.good_loss", kind: share, Default: "0%", Min: "0%", Max: "100%", About: "chance of loss in the good state", Origin: neutral},
	{Path: "weather.bad_loss", kind: share, Default: "100%", Min: "0.001%", Max: "100%", About: "chance of loss in the bad state", Origin: neutral},
	{Path: "weather.long_share", kind: share, Default: "0%", Min: "0%", Max: "100%", About: "share of the time in a second bad state, rare and long, whose losses come on top", Origin: neutral, matters: true},
	{Path: "weather.long_burst", kind: duration, Default: "1s", Min: "100us", Max: "1h", About: "mean time in the second bad state", Origin: judgement, matters: true},
	{Path: "weather.long_loss", kind: share, Default: "100%", Min: "0.001%", Max: "100%", About: "chance of loss in the second bad state", Origin: neutral},
	{Path: "weather.good_bit_errors", kind: number, Default: "0", Min: "0", Max: "1", About: "bit error rate on the air in the good state", Origin: neutral, matters: true},
	{Path: "weather.bad_bit_errors", kind: number, Default: "0", Min: "0", Max: "1", About: "bit error rate on the air in the bad state, for broadcasts that its loss leaves over", Origin: neutral, matters: true},
	{Path: "weather.outages", kind: items, About: "spans in which nothing is heard: channel moved, scan, receiver restarted", Origin: neutral, matters: true},
	{Path: "weather.outages.*", kind: section, About: "one such span"},
	{Path: "weather.outages.*.from", kind: duration, required: true, Min: "0", Max: "1000h", About: "its begin"},
	{Path: "weather.outages.*.until", kind: duration, required: true, Min: "0", Max: "1000h", About: "its end"},
	{Path: "weather.listen", kind: duration, Default: "always", Words: []string{"always"}, Min: "1us", Max: "1h", About: "time out of every listen_every in which the radio listens, as with power save", Origin: neutral, matters: true},
	{Path: "weather.listen_every", kind: duration, Default: "300ms", Min: "1us", Max: "1h", About: "time from one such window to the next", Origin: reported, matters: true},
	{Path: "weather.listen_from", kind: duration, Default: "0", Min: "0", Max: "1h", About: "begin of a window, with phases: fixed", Origin: neutral},
	{Path: "weather.position", kind: word, Default: "none", Words: positionNames(), About: "loss and bursts of a named position, for what is not given; " + radio.PositionsAre, Origin: neutral, noted: true},
	{Path: "weather.good_snr", kind: number, Default: "none", Words: []string{"none"}, Min: "-50", Max: "100", About: "signal-to-noise ratio in dB in the good state, instead of good_bit_errors", Origin: neutral, noted: true},
	{Path: "weather.bad_snr", kind: number, Default: "none", Words: []string{"none"}, Min: "-50", Max: "100", About: "signal-to-noise ratio in dB in the bad state, instead of bad_bit_errors", Origin: neutral, noted: true},
	{Path: "weather.move", kind: section, shorthand: "at", About: "the sender's channel moves, and the receiver has to follow"},
	{Path: "weather.move.at", kind: duration, Default: "none", Words: []string{"none"}, Min: "0", Max: "1000h", About: "when it moves", Origin: neutral, noted: true},
	{Path: "weather.move.takes", kind: duration, Default: "800ms", Min: "1us", Max: "1h", About: "until the receiver has followed; default = half of 13 channels at 120ms", Origin: judgement, noted: true},
	{Path: "weather.away", kind: section, shorthand: "every", About: "the receiver leaves its channel to look for others, as in a background scan"},
	{Path: "weather.away.every", kind: duration, Default: "none", Words: []string{"none"}, Min: "1ms", Max: "1000h", About: "from one such time to the next", Origin: neutral, noted: true},
	{Path: "weather.away.takes", kind: duration, Default: "120ms", Min: "1us", Max: "1h", About: "how long it is away", Origin: judgement, noted: true},
	{Path: "weather.away.first", kind: duration, Default: "0", Min: "0", Max: "1000h", About: "the first time, with phases: fixed", Origin: neutral},
	{Path: "weather.trace", kind: section, shorthand: "file", About: "a measured sequence of receptions, instead of loss and bursts"},
	{Path: "weather.trace.file", kind: anyText, Default: "none", About: "file with the columns t_s,received, or received alone", Origin: neutral, noted: true},
	{Path: "weather.trace.period", kind: duration, Default: "none", Words: []string{"none"}, Min: "100us", Max: "1h", About: "from one broadcast to the next, for a file without t_s", Origin: neutral, noted: true},
	{Path: "weather.common", kind: section, shorthand: "loss", About: "a cause of loss that all receivers of the vehicle share, on top of their own"},
	{Path: "weather.common.loss", kind: share, Default: "0%", Min: "0%", Max: "100%", About: "share of broadcasts that no receiver hears", Origin: neutral, matters: true},
	{Path: "weather.common.burst", kind: duration, Default: "60ms", Min: "100us", Max: "1h", About: "mean time in the shared bad state", Origin: judgement, matters: true},
}

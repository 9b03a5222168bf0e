package scenarios

import (
	"errors"
	"fmt"
	"strings"

	"stalegauge/radio"
)

// radio chooses the profile and reads who else is on the channel.
func (b *builder) radio(root *value) {
	v := root.get("radio")
	settings := b.settings(v)
	profile, err := radio.NewProfile(settings)
	if v.get("profile").bad {
		return // whatever the other keys say, nobody knows what for
	}
	for _, m := range radioMistakes(err) {
		at := v.get(strings.ReplaceAll(m.Key, "-", "_"))
		b.contradiction(m.Found+" is not what the profile "+settings.Name+" takes: "+m.Want, "", at)
	}
	if err == nil {
		b.plan.Radio = profile
	}
	others := root.get("air").get("background")
	for _, s := range others.kids {
		b.background(s)
	}
	total := 0.0
	for _, s := range b.plan.Background {
		total += s.Share
	}
	if total > 1 {
		b.contradiction("background senders that offer "+formatNumber(share, total)+" of the time together", "", others)
	}
	if len(others.kids) > 0 && err == nil && radio.InfoOf(profile).Advertises {
		b.warn("background senders hit every channel of %s, as no real one does: the collisions with them are an upper bound", settings.Name)
	}
	if len(others.kids) > 0 && err == nil && !radio.InfoOf(profile).Shared {
		b.warn("background senders mean nothing on the radio profile %s, which shares its medium with nobody", settings.Name)
	}
}

// settings reads the keys that the profile has. The others have no effect.
func (b *builder) settings(v *value) radio.Settings {
	profile := v.get("profile")
	having := map[string][]string{}
	for _, p := range radio.Profiles() {
		for _, key := range radio.SettingKeys(p.Name) {
			having[key] = append(having[key], p.Name)
		}
	}
	get := func(key string) *value {
		k := v.get(key)
		if !profile.bad {
			b.onlyWith(k, profile, having[key]...)
		}
		if k.unused {
			return &value{key: k.key}
		}
		return k
	}
	wordOf := func(key string) string {
		if k := get(key); !k.is("default") {
			return k.str()
		}
		return ""
	}
	defers := get("defers")
	return radio.Settings{
		Name: profile.str(), Rate: int(get("rate").float()), Format: wordOf("format"), Capture: get("capture").float(),
		Preamble: wordOf("preamble"), Slot: wordOf("slot"), Window: get("window").int(), DIFS: get("difs").time(),
		EIFS: get("eifs").truth(), NoCarrierSense: defers.is(false),
		Addressing: wordOf("addressing"), BackoffExponent: get("backoff_exponent").int(),
		MaxBackoffExponent: get("max_backoff_exponent").int(), Assessments: get("assessments").int(),
		Interval: get("interval").time(), Spacing: get("spacing").time(), PrimaryRate: int(get("primary_rate").float()),
		AddressBytes: get("address_bytes").int(), ChecksumBytes: get("checksum_bytes").int(),
		SpreadingFactor: get("spreading_factor").int(), Bandwidth: int(get("bandwidth").float()), CodingRate: wordOf("coding_rate"),
		PreambleSymbols: get("preamble_symbols").int(), ImplicitHeader: get("implicit_header").truth(), NoChecksum: get("no_checksum").truth(),
		LowDataRate: wordOf("low_data_rate"), SubBand: wordOf("sub_band"), Duty: get("duty").float(), DutyRule: wordOf("duty_rule"),
		Airtime: get("airtime").time(), PerByte: get("per_byte").time(), Payload: get("payload").int(),
	}
}

// radioMistakes takes an error of the radio apart.
func radioMistakes(err error) []*radio.Mistake {
	var out []*radio.Mistake
	var m *radio.Mistake
	if many, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range many.Unwrap() {
			out = append(out, radioMistakes(e)...)
		}
	} else if errors.As(err, &m) {
		out = append(out, m)
	}
	return out
}

func (b *builder) background(v *value) {
	s := radio.Background{
		Name: v.name, Share: v.get("share").float(), Frame: v.get("frame").time(), BurstFrames: v.get("bursts").float(),
		Window: v.get("window").int(), Hidden: v.get("hidden").truth(), Deaf: v.get("deaf").truth(), Power: v.get("power").float(),
		From: v.get("from").time(), Until: v.get("until").time(),
	}
	for _, m := range radioMistakes(s.Check()) {
		b.contradiction(m.Found+" is not possible here: expected "+m.Want, "", v.get(strings.ReplaceAll(m.Key, "-", "_")))
	}
	b.plan.Background = append(b.plan.Background, s)
}

// neighbours reads the other vehicles: copies of this one.
func (b *builder) neighbours(v *value) {
	next := int(b.plan.Bridge.Layout.Set) + 1
	total := 0
	for _, n := range v.kids {
		set, until := n.get("set"), n.get("until")
		out := Neighbour{
			Name: n.name, Count: n.get("count").int(), From: n.get("from").time(), Until: until.time(),
			Power: n.get("power").float(), Vehicle: b.plan.Vehicle,
		}
		first := next
		if !set.is("next") {
			first = set.int()
		} else {
			for _, same := b.sameSet(first, out.Count); same; _, same = b.sameSet(first, out.Count) {
				first++
			}
		}
		if last := first + out.Count - 1; last > 65535 {
			b.contradiction("set identifiers beyond 65535", "give a lower set", n, set, n.get("count"))
		}
		if name, ok := b.sameSet(first, out.Count); ok {
			b.contradiction(fmt.Sprintf("one of the %d set identifiers from %d on is that of %s: displays could not tell their broadcasts apart", out.Count, first, name),
				"next takes free ones", set, n)
		}
		out.Bridge.Layout.Set = uint16(first)
		next = first + out.Count
		if total += out.Count; total > maxNeighbours {
			b.contradiction(fmt.Sprintf("more than %d vehicles on the channel", maxNeighbours), "", n, n.get("count"))
		}
		if out.Until > 0 && out.Until <= out.From {
			b.contradiction("leaves before it comes", "until lies after from", until, n.get("from"))
		}
		b.plan.Neighbours = append(b.plan.Neighbours, out)
	}
}

// sameSet tells which vehicle has one of so many set identifiers.
func (b *builder) sameSet(first, count int) (name string, same bool) {
	if own := int(b.plan.Bridge.Layout.Set); count > 0 && first <= own && own < first+count {
		return "this vehicle", true
	}
	for _, n := range b.plan.Neighbours {
		if other := int(n.Bridge.Layout.Set); first < other+n.Count && other < first+count {
			return "neighbours." + n.Name, true
		}
	}
	return "", false
}

// maxNeighbours bounds the vehicles around the one under design.
const maxNeighbours = 64

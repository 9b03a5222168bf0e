package scenarios

// policyKeys are those of the policy that holds for all entries of the forward
// list, and of further ones that single entries may go by.
var policyKeys = append(append(
	[]Key{{Path: "bridge.policy", kind: section, shorthand: "kind", About: "how frames become broadcasts"}},
	policyKeysBelow("bridge.policy", true)...),
	append([]Key{
		{Path: "bridge.policies", kind: names, About: "further policies, for the entries of the forward list that name one; all share limits and send queue", Origin: neutral},
		{Path: "bridge.policies.*", kind: section, shorthand: "kind", About: "a policy"},
	}, policyKeysBelow("bridge.policies.*", false)...)...)

// policyKeysBelow returns the keys of one policy. Only those of the general one
// stand among the assumptions where nobody gave them.
func policyKeysBelow(path string, general bool) []Key {
	keys := []Key{
		{Path: "kind", kind: word, Default: "fill", Words: []string{"each", "fill", "table", "change", "slack"}, About: "each: one frame a broadcast; fill: until full or held long enough; table: the latest values at a fixed rate; change: when they change; slack: when the freshness is worth its air", Origin: judgement, matters: true},
		{Path: "hold", kind: duration, Default: "50ms", Min: "0", Max: "1h", About: "fill: longest wait of the oldest record", Origin: judgement, matters: true},
		{Path: "max_records", kind: whole, Default: "none", Words: []string{"none"}, Min: "1", Max: "255", About: "fill: most records in a broadcast; none = what the payload holds", Origin: neutral},
		{Path: "every", kind: duration, Default: "50ms", Min: "100us", Max: "1h", About: "table: period", Origin: judgement, matters: true},
		{Path: "phase", kind: duration, Default: "0", Min: "0", Max: "1h", About: "table, slack: first due instant, with phases: fixed", Origin: neutral},
		{Path: "only_new", kind: truth, Default: "false", About: "table: leave out values that have been sent already", Origin: neutral},
		{Path: "by_limits", kind: truth, Default: "false", About: "table: what has a looser limit is in fewer rounds, in proportion", Origin: neutral},
		{Path: "rotate", kind: truth, Default: "false", About: "table: one page of each identifier a round, in turn, instead of all", Origin: neutral},
		{Path: "latch", kind: truth, Default: "false", About: "table, change: a changed value is kept until it has been sent, even if it changes back", Origin: neutral},
		{Path: "min_gap", kind: duration, Default: "20ms", Min: "0", Max: "1h", About: "change: shortest time between two sendings of a record", Origin: judgement, matters: true},
		{Path: "heartbeat", kind: duration, Default: "500ms", Words: []string{"never"}, Min: "1ms", Max: "1h", About: "change: longest time between two sendings of a record", Origin: judgement, matters: true},
		{Path: "share", kind: share, Default: "5%", Min: "0.01%", Max: "100%", About: "slack: share of the time on air that it aims at", Origin: judgement, matters: true},
		{Path: "power", kind: number, Default: "4", Min: "0.5", Max: "32", About: "slack: how much more the latest values count", Origin: judgement, matters: true},
		{Path: "margin", kind: number, Default: "0.5", Min: "0", Max: "10", About: "slack: age that a value counts as fresh with, in redraw and draw times of its display", Origin: judgement, matters: true},
		{Path: "loss", kind: share, Default: "20%", Min: "0%", Max: "99%", About: "slack: share of broadcasts believed lost", Origin: judgement, matters: true},
		{Path: "burst", kind: duration, Default: "30ms", Min: "100us", Max: "10s", About: "slack: length believed of a burst of losses", Origin: judgement, matters: true},
		{Path: "tick", kind: duration, Default: "5ms", Min: "100us", Max: "1s", About: "slack: time between decisions without a new value", Origin: judgement, matters: true},
		{Path: "price", kind: number, Default: "0.1", Min: "0.000001", Max: "1000000", About: "slack: first price of a millisecond of air, in costs of a value at its limit", Origin: judgement},
		{Path: "simple", kind: truth, Default: "false", About: "slack: treat a state that has not changed as a number", Origin: judgement},
	}
	for i := range keys {
		keys[i].Path = path + "." + keys[i].Path
		keys[i].matters = keys[i].matters && general
	}
	return keys
}

package reports

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"

	"stalegauge/bus/bridge"
	"stalegauge/bus/fate"
	"stalegauge/sim/study"
)

// mostEntries is how many entries of the forward list the text shows.
const mostEntries = 32

// forwardList writes how each entry of the forward list was served, those that
// waited longest first where there are too many to show.
func forwardList(p *page, r *study.Result) {
	if len(r.Entries) == 0 {
		return
	}
	entries := r.Entries
	if len(entries) > mostEntries {
		entries = slices.Clone(entries)
		slices.SortStableFunc(entries, func(a, b study.Entry) int { return cmp.Compare(b.Waited, a.Waited) })
		entries = entries[:mostEntries]
	}
	p.heading("Forward list: how each entry was served")
	t := newTable(p, "id", "policy", "class", "bytes", "to send\nper s", "left\n% of these", "longest\nwait ms")
	t.left(2)
	for _, e := range entries {
		t.row(e.ID, policyName(e.Policy), strconv.Itoa(e.Class), strconv.Itoa(e.Bytes), plain(float64(e.Wanted)/r.Simulated, r.Simulated > 0),
			bare(float64(e.Left)/float64(e.Wanted), e.Wanted > 0), plain(1e3*e.Waited, true))
	}
	t.write()
	if n := len(r.Entries) - len(entries); n > 0 {
		p.paragraph("  ", fmt.Sprintf("The %d that waited longest; %s more are in the JSON report.", len(entries), plural(n, "entry")))
	}
	starved(p, r)
}

// starved says which priority classes had to wait so much that values were
// never sent.
func starved(p *page, r *study.Result) {
	type service struct{ wanted, left uint64 }
	classes := map[int]*service{}
	var order []int
	for _, e := range r.Entries {
		if classes[e.Class] == nil {
			classes[e.Class] = &service{}
			order = append(order, e.Class)
		}
		classes[e.Class].wanted += e.Wanted
		classes[e.Class].left += e.Left
	}
	if len(order) < 2 {
		return
	}
	slices.Sort(order)
	for _, c := range order {
		s := classes[c]
		p.paragraph("  ", fmt.Sprintf("class %d: %s of %s values left the bridge", c,
			percent(float64(s.left)/float64(s.wanted), s.wanted > 0), count(s.wanted)))
	}
}

// policyName is a policy as reports call it: its kind, and its name where it is
// one of a mix.
func policyName(p *bridge.Policy) string {
	if p == nil {
		return dash
	}
	if p.Name == "" {
		return p.Kind.String()
	}
	return clean(p.Name) + " (" + p.Kind.String() + ")"
}

// layouts writes what the forward list takes in each layout.
func layouts(p *page, r *study.Result) {
	if len(r.Layouts) == 0 {
		return
	}
	p.heading("The forward list in each layout, from the encoder")
	t := newTable(p, "layout", "header\nbytes", "record\nbytes", "records in\na broadcast", "broadcasts\nfor all once", "bytes\nfor all once")
	for _, l := range r.Layouts {
		name := l.Kind.String()
		if r.Plan != nil && l.Kind == r.Plan.Bridge.Layout.Kind {
			name += " (in use)"
		}
		t.row(name, strconv.Itoa(l.Header), fromTo(l.Records), fromTo(l.Fits), strconv.Itoa(l.Broadcasts), strconv.Itoa(l.Bytes))
	}
	t.write()
}

// fromTo writes the smallest and the largest of some numbers.
func fromTo(n []int) string {
	if len(n) == 0 {
		return dash
	}
	low, high := slices.Min(n), slices.Max(n)
	if low == high {
		return strconv.Itoa(low)
	}
	return fmt.Sprintf("%d..%d", low, high)
}

// levers writes, for each policy of the mix, which parameter each term of the
// waterfall answers to, at the signal that is furthest from its limit.
func levers(p *page, r *study.Result) {
	if r.Plan == nil {
		return
	}
	c := &r.Plan.Bridge
	for index := range 1 + len(c.Policies) {
		display, worst := worstOf(r, func(s *study.Signal) bool {
			slot := slices.IndexFunc(c.Forward, func(f bridge.Forward) bool { return f.ID == s.Shown.ID })
			return slot >= 0 && c.Forward[slot].Policy == index && s.WaterfallOpen
		})
		if worst == nil {
			continue
		}
		receiver := planReceiver(r.Plan, display.Name)
		if receiver == nil {
			continue
		}
		policy := &c.Policy
		if index > 0 {
			policy = &c.Policies[index-1]
		}
		p.heading(fmt.Sprintf("What each term answers to: policy %s, at %s %s", policyName(policy), clean(display.Name), clean(worst.Shown.Signal.Name)))
		t := newTable(p, "term", "mean\nms", "answers to", "now")
		t.left(3)
		t.left(4)
		for w := range fate.Stages {
			l := leverOf(r.Plan, receiver, worst.Shown, w)
			t.row(w.String(), plain(1e3*worst.Waterfall[w], true), clean(l.key), l.value)
		}
		t.write()
	}
}

type jsonEntry struct {
	ID     string   `json:"id"`
	Policy string   `json:"policy"` // kind
	Name   string   `json:"policy_name"`
	Class  int      `json:"class"`
	Bytes  int      `json:"record_bytes"`
	Wanted uint64   `json:"to_send"`
	Left   uint64   `json:"left"`
	Waited *float64 `json:"longest_wait_s"`
}

type jsonLayoutSize struct {
	Kind       string `json:"kind"`
	Header     int    `json:"header_bytes"`
	Records    []int  `json:"record_bytes"`
	Fits       []int  `json:"records_per_broadcast"`
	Broadcasts int    `json:"broadcasts_for_all"`
	Bytes      int    `json:"bytes_for_all"`
}

// served is the forward list and its sizes as JSON.
func served(r *study.Result) (entries []jsonEntry, all []jsonLayoutSize) {
	entries, all = []jsonEntry{}, []jsonLayoutSize{}
	for _, e := range r.Entries {
		j := jsonEntry{ID: e.ID, Class: e.Class, Bytes: e.Bytes, Wanted: e.Wanted, Left: e.Left, Waited: figure(e.Waited)}
		if e.Policy != nil {
			j.Policy, j.Name = e.Policy.Kind.String(), e.Policy.Name
		}
		entries = append(entries, j)
	}
	for _, l := range r.Layouts {
		all = append(all, jsonLayoutSize{l.Kind.String(), l.Header, l.Records, l.Fits, l.Broadcasts, l.Bytes})
	}
	return entries, all
}

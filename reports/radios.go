package reports

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"stalegauge/radio"
)

// RadioList is what every radio can do for itself, one broadcast after the other
// on a medium without anybody else.
type RadioList struct {
	Header int // bytes of a broadcast besides its records
	Record int // bytes of one record
	Wanted int // records that are to be sent together; 0 = as many as fit
	Rows   []RadioRow
}

// RadioRow is one radio with its settings.
type RadioRow struct {
	radio.Row
	Keys       string // settings that differ from the defaults; "" = none
	Records    int    // in one broadcast
	Broadcasts int    // for the records wanted; 0 where none were asked for or none fits
	// All is the time of these broadcasts with access, spacing and duty limit.
	All time.Duration
}

// RadiosText writes the list for people. It returns the error of w.
func RadiosText(w io.Writer, l *RadioList, o TextOptions) error {
	o.Width = max(o.Width, minWidth)
	p := &page{options: o}
	p.paragraph("", fmt.Sprintf("Each radio alone on its medium, one broadcast after the other. A broadcast sends a header of %d bytes and holds records of %d: 8 data bytes, identifier, length. It takes its time on air, the access, the spacing behind it and what a duty limit demands.", l.Header, l.Record))
	p.lines = append(p.lines, "")
	head := []string{"radio", "limit\nbytes", "sends\nbytes", "holds", "on air\nms", "takes\nms", "per s"}
	if l.Wanted > 0 {
		p.paragraph("", fmt.Sprintf("The last two columns are for %s together.", plural(l.Wanted, "record")))
		p.lines = append(p.lines, "")
		head = append(head, "needs", "all in\nms")
	} else {
		head = append(head, "on air\n% of time")
	}
	t := newTable(p, head...)
	last := ""
	for i := range l.Rows {
		t.row(radioCells(&l.Rows[i], l.Rows[i].Profile != last, l.Wanted > 0)...)
		last = l.Rows[i].Profile
	}
	t.write()
	p.heading("Rules that limit the time on air")
	for _, rule := range rulesOf(l.Rows) {
		p.paragraph("  ", rule)
	}
	p.lines = append(p.lines, "")
	p.paragraph("", "A setting goes behind radio. in a scenario and in --set, such as")
	p.lines = append(p.lines, "  stalegauge run --set radio.profile=action-frame --set radio.rate=6Mbit/s")
	_, err := io.WriteString(w, p.String())
	return err
}

// radioCells writes one row. The first one of a profile has its name.
func radioCells(r *RadioRow, first, wanted bool) []string {
	name := strings.TrimSpace(r.Keys)
	if first {
		name = strings.TrimSpace(r.Profile + " " + r.Keys)
	}
	row := []string{name, strconv.Itoa(r.MaxPayload), strconv.Itoa(r.Payload), strconv.Itoa(r.Records),
		millis(r.Airtime.Seconds(), true), millis(r.Occupancy.Seconds(), true), number(r.PerSecond, true, "")}
	if wanted {
		return append(row, strconv.Itoa(r.Broadcasts), millis(r.All.Seconds(), r.Broadcasts > 0))
	}
	return append(row, number(100*r.OwnShare, true, ""))
}

// rulesOf lists the headlines, each once, behind the profiles that it is for.
func rulesOf(rows []RadioRow) (rules []string) {
	profiles := map[string][]string{}
	var order []string
	seen := map[string]bool{}
	for _, r := range rows {
		if seen[r.Profile+r.Headline] || r.Headline == "" {
			continue
		}
		seen[r.Profile+r.Headline] = true
		if profiles[r.Headline] == nil {
			order = append(order, r.Headline)
		}
		profiles[r.Headline] = append(profiles[r.Headline], r.Profile)
	}
	for _, headline := range order {
		rules = append(rules, strings.Join(profiles[headline], ", ")+": "+headline)
	}
	return rules
}

type jsonRadios struct {
	Schema int         `json:"schema"`
	Header int         `json:"header_bytes"`
	Record int         `json:"record_bytes"`
	Wanted int         `json:"records_wanted"`
	Radios []jsonRadio `json:"radios"`
}

type jsonRadio struct {
	Profile    string            `json:"profile"`
	Settings   map[string]string `json:"settings"`
	MaxPayload int               `json:"payload_limit_bytes"`
	Payload    int               `json:"payload_bytes"`
	Records    int               `json:"records_per_broadcast"`
	Airtime    float64           `json:"airtime_s"`
	Occupancy  float64           `json:"occupancy_s"`
	PerSecond  float64           `json:"broadcasts_per_s"`
	OwnShare   float64           `json:"own_share"`
	Broadcasts *int              `json:"broadcasts_for_all"`
	All        *float64          `json:"all_s"`
	Headline   string            `json:"rule"`
}

// RadiosJSON writes the list for programs, in seconds and shares 0..1. It returns
// the error of w.
func RadiosJSON(w io.Writer, l *RadioList) error {
	d := jsonRadios{Schema: Schema, Header: l.Header, Record: l.Record, Wanted: l.Wanted, Radios: []jsonRadio{}}
	for _, r := range l.Rows {
		j := jsonRadio{
			Profile: r.Profile, Settings: map[string]string{}, MaxPayload: r.MaxPayload, Payload: r.Payload, Records: r.Records,
			Airtime: r.Airtime.Seconds(), Occupancy: r.Occupancy.Seconds(), PerSecond: r.PerSecond, OwnShare: r.OwnShare, Headline: r.Headline,
		}
		if key, value, ok := strings.Cut(r.Keys, "="); ok {
			j.Settings[key] = value
		}
		if r.Broadcasts > 0 {
			seconds := r.All.Seconds()
			j.Broadcasts, j.All = &r.Broadcasts, &seconds
		}
		d.Radios = append(d.Radios, j)
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(d); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

// RadiosCSV writes one row for each radio under a header row, in the form of RFC
// 4180. It returns the error of w.
func RadiosCSV(w io.Writer, l *RadioList) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	rowOf := func(r *RadioRow) *fields {
		f := &fields{}
		f.put("profile", r.Profile)
		f.put("setting", r.Keys)
		f.put("payload_limit_bytes", strconv.Itoa(r.MaxPayload))
		f.put("payload_bytes", strconv.Itoa(r.Payload))
		f.put("records_per_broadcast", strconv.Itoa(r.Records))
		f.figure("airtime_s", r.Airtime.Seconds(), true)
		f.figure("occupancy_s", r.Occupancy.Seconds(), true)
		f.figure("broadcasts_per_s", r.PerSecond, true)
		f.figure("own_share", r.OwnShare, true)
		f.figure("broadcasts_for_all", float64(r.Broadcasts), r.Broadcasts > 0)
		f.figure("all_s", r.All.Seconds(), r.Broadcasts > 0)
		f.put("rule", r.Headline)
		return f
	}
	// The writer keeps its first error until the end.
	_ = c.Write(rowOf(&RadioRow{}).names)
	for i := range l.Rows {
		_ = c.Write(rowOf(&l.Rows[i]).texts)
	}
	c.Flush()
	return c.Error()
}

package reports

import (
	"bytes"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"stalegauge/bus/survey"
)

type jsonSurvey struct {
	Schema     int               `json:"schema"`
	Version    string            `json:"version"`
	Name       string            `json:"name"`
	Kind       string            `json:"kind"`
	BitRate    jsonBitRate       `json:"bitrate"`
	Span       *float64          `json:"span_s"`
	Frames     uint64            `json:"frames"`
	Errors     uint64            `json:"error_frames"`
	Others     uint64            `json:"frames_of_further_identifiers"`
	PerSecond  *float64          `json:"frames_per_s"`
	Load       *float64          `json:"load"`
	Resolution float64           `json:"quantile_resolution"` // relative width of the buckets
	Windows    []jsonWindow      `json:"load_over"`
	IDs        []jsonIdentifier  `json:"identifiers"`
	Groups     []jsonGroup       `json:"groups"`
	Storms     []jsonStorm       `json:"storms"`
	Gaps       uint64            `json:"gaps"`
	Silence    *float64          `json:"longest_silence_s"`
	Unknown    []string          `json:"identifiers_without_entry"`
	Unseen     []jsonUnseen      `json:"entries_never_seen"`
	Capture    *jsonCapture      `json:"capture"`
	Waits      []jsonWait        `json:"worst_case"`
	NotCovered []string          `json:"not_covered_by_bounds"`
	Messages   []jsonDeclaration `json:"messages"` // of a database alone
	Notes      []string          `json:"notes"`
}

type jsonBitRate struct {
	Value   int    `json:"bit_per_s"`
	Data    int    `json:"data_bit_per_s"`
	Guessed bool   `json:"guessed"`
	Sure    bool   `json:"spacing_agrees"`
	Reason  string `json:"reason"`
}

type jsonWindow struct {
	Length    *float64 `json:"length_s"`
	Stretches uint64   `json:"stretches"`
	Median    *float64 `json:"median"`
	P99       *float64 `json:"p99"`
	Most      *float64 `json:"max"`
	MostAt    *float64 `json:"max_at_s"`
}

type jsonRhythm struct {
	Frames    uint64   `json:"frames"`
	Sent      string   `json:"sent"`
	Mean      *float64 `json:"period_mean_s"`
	P5        *float64 `json:"period_p5_s"`
	Median    *float64 `json:"period_p50_s"`
	P95       *float64 `json:"period_p95_s"`
	Shortest  *float64 `json:"period_min_s"`
	Longest   *float64 `json:"longest_silence_s"`
	LongestAt *float64 `json:"longest_silence_at_s"`
}

type jsonIdentifier struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	jsonRhythm
	Stated        *float64       `json:"period_stated_s"`
	Remotes       uint64         `json:"remote_frames"`
	MinBytes      int            `json:"bytes_min"`
	MaxBytes      int            `json:"bytes_max"`
	Bits          *float64       `json:"bits_mean"`
	Load          *float64       `json:"load"`
	Share         *float64       `json:"share_of_load"`
	RecordPerSec  *float64       `json:"air_bytes_per_s"`
	Changing      string         `json:"changing_bits"`
	Differ        *float64       `json:"differing_frames_share"`
	Counters      []jsonField    `json:"counters"`
	Checksums     []int          `json:"checksum_bytes"`
	OnlyAlive     bool           `json:"only_counters_and_checksums"`
	Pages         []jsonPageRow  `json:"pages"`
	Signals       []jsonMovement `json:"signals"`
	PagesNotKnown uint64         `json:"frames_of_unknown_page"`
}

type jsonField struct {
	First int `json:"first_bit"`
	Bits  int `json:"bits"`
}

type jsonPageRow struct {
	Page int `json:"page"`
	jsonRhythm
}

type jsonMovement struct {
	Name      string   `json:"name"`
	Unit      string   `json:"unit"`
	Wanted    bool     `json:"shown"`
	Frames    uint64   `json:"frames"`
	Moves     string   `json:"moves"`
	Alive     bool     `json:"counter_or_checksum"`
	Low       *float64 `json:"low"`
	High      *float64 `json:"high"`
	Last      *float64 `json:"last"`
	Label     string   `json:"last_label"`
	Outside   uint64   `json:"outside_limits"`
	Changes   uint64   `json:"changes"`
	PerSecond *float64 `json:"changes_per_s"`
	Shortest  *float64 `json:"shortest_between_changes_s"`
	Pulse     *float64 `json:"shortest_pulse_s"`
	Used      *float64 `json:"step_used"`
	Step      *float64 `json:"step"`
}

type jsonGroup struct {
	IDs   []string `json:"ids"`
	Share *float64 `json:"share"`
}

type jsonStorm struct {
	ID     string   `json:"id"`
	At     *float64 `json:"at_s"`
	Frames uint64   `json:"frames"`
	Load   *float64 `json:"load"`
	Usual  *float64 `json:"load_usual"`
	Lasted *float64 `json:"lasted_s"`
}

type jsonUnseen struct {
	ID     string   `json:"id"`
	Name   string   `json:"name"`
	Period *float64 `json:"period_stated_s"`
}

type jsonCapture struct {
	Lines      int64    `json:"lines"`
	Unreadable int64    `json:"lines_not_understood"`
	Overruns   int64    `json:"logger_overruns"`
	Sorted     int64    `json:"sorted"`
	Dropped    int64    `json:"dropped_for_their_time"`
	Notes      []string `json:"notes"`
}

type jsonWait struct {
	ID       string   `json:"id"`
	Name     string   `json:"name"`
	Period   *float64 `json:"period_s"`
	Blocking *float64 `json:"blocking_s"`
	Bound    *float64 `json:"bound_s"`    // release to reception; null: there is none
	Response *float64 `json:"response_s"` // with jitter and intermission
	InTime   bool     `json:"in_time"`
}

type jsonDeclaration struct {
	ID      string       `json:"id"`
	Name    string       `json:"name"`
	Bytes   int          `json:"bytes"`
	Period  *float64     `json:"period_stated_s"`
	Signals []jsonLayout `json:"signals"`
}

type jsonLayout struct {
	Name  string   `json:"name"`
	Start int      `json:"start"`
	Bits  int      `json:"bits"`
	Order string   `json:"order"`
	Page  *int     `json:"page"`
	Scale *float64 `json:"scale"`
	Zero  *float64 `json:"offset"`
	Unit  string   `json:"unit"`
}

// SurveyJSON writes the same for programs. Times are in seconds, shares 0..1; a
// figure that is not defined is null.
func SurveyJSON(w io.Writer, s *Survey) error {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(surveyDocument(s)); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes())
	return err
}

// times writes a time in seconds, null for none.
func times(d time.Duration) *float64 {
	if d <= 0 {
		return nil
	}
	return figure(d.Seconds())
}

func surveyDocument(s *Survey) jsonSurvey {
	d := jsonSurvey{Schema: Schema, Version: s.Version, Name: s.Name, Kind: s.Kind, BitRate: jsonBitRate(s.BitRate), Resolution: survey.Resolution,
		Windows: []jsonWindow{}, IDs: []jsonIdentifier{}, Groups: []jsonGroup{}, Storms: []jsonStorm{}, Unknown: []string{}, Unseen: []jsonUnseen{},
		Waits: []jsonWait{}, NotCovered: append([]string{}, s.Open...), Messages: []jsonDeclaration{}, Notes: append([]string{}, s.Notes...)}
	for _, w := range s.Waits {
		j := jsonWait{ID: w.ID.String(), Name: w.Name, Period: times(w.Period), Blocking: figure(w.Blocking.Seconds()), InTime: !w.Open && w.Meets()}
		if w.Bounded && !w.Open {
			j.Bound, j.Response = figure(w.Latency.Seconds()), figure(w.Response.Seconds())
		}
		d.Waits = append(d.Waits, j)
	}
	for i := range s.Layouts {
		d.Messages = append(d.Messages, declaration(&s.Layouts[i]))
	}
	if s.Inventory != nil {
		d.fill(s)
	}
	return d
}

func declaration(l *survey.Layout) jsonDeclaration {
	j := jsonDeclaration{ID: l.ID.String(), Name: l.Name, Bytes: l.Length, Period: times(l.Period), Signals: []jsonLayout{}}
	for i := range l.Signals {
		g := &l.Signals[i]
		x := jsonLayout{Name: g.Name, Start: g.Start, Bits: g.Bits, Order: order(l, i), Scale: figure(g.Scale), Zero: figure(g.Offset), Unit: g.Unit}
		if g.Page >= 0 {
			x.Page = &g.Page
		}
		j.Signals = append(j.Signals, x)
	}
	return j
}

func (d *jsonSurvey) fill(s *Survey) {
	inv := s.Inventory
	d.Span, d.Frames, d.Errors, d.Others = figure(inv.Span.Seconds()), inv.Frames, inv.Errors, inv.Others
	if inv.Span > 0 {
		d.PerSecond, d.Load = figure(inv.PerSecond), figure(inv.Load)
	}
	d.Gaps, d.Silence = inv.Gaps, times(inv.Silence)
	for _, w := range inv.Windows {
		j := jsonWindow{Length: times(w.Length), Stretches: w.Stretches}
		if w.Stretches > 0 {
			j.Median, j.P99, j.Most, j.MostAt = figure(w.Median), figure(w.Quantile99), figure(w.Most), figure(w.MostAt.Seconds())
		}
		d.Windows = append(d.Windows, j)
	}
	for i := range inv.IDs {
		d.IDs = append(d.IDs, identifierDocument(s, &inv.IDs[i]))
	}
	for _, g := range inv.Groups {
		d.Groups = append(d.Groups, jsonGroup{strings.Fields(idList(g.IDs)), figure(g.Share)})
	}
	for _, x := range inv.Storms {
		d.Storms = append(d.Storms, jsonStorm{x.ID.String(), figure(x.At.Seconds()), x.Frames, figure(x.Load), figure(x.Usual), times(x.Lasted)})
	}
	d.Unknown = append(d.Unknown, strings.Fields(idList(inv.Unknown))...)
	for _, u := range inv.Unseen {
		d.Unseen = append(d.Unseen, jsonUnseen{u.ID.String(), u.Name, times(u.Period)})
	}
	if c := s.Capture; c != nil {
		d.Capture = &jsonCapture{c.Lines, c.Unreadable + c.TooLong, c.Overruns, c.Sorted, c.Late + c.Damaged, append([]string{}, c.Notes()...)}
	}
}

func rhythmDocument(r *survey.Rhythm) jsonRhythm {
	j := jsonRhythm{Frames: r.Frames, Sent: r.Regularity.String()}
	if r.MeanExact > 0 {
		j.Mean, j.P5, j.Median, j.P95 = figure(r.MeanExact/1e9), times(r.Low), times(r.Median), times(r.High)
		j.Shortest, j.Longest, j.LongestAt = times(r.Shortest), times(r.Longest), figure(r.LongestAt.Seconds())
	}
	return j
}

func identifierDocument(s *Survey, d *survey.ID) jsonIdentifier {
	j := jsonIdentifier{ID: d.ID.String(), Name: d.Name, jsonRhythm: rhythmDocument(&d.Rhythm), Stated: times(d.Declared), Remotes: d.Remotes,
		MinBytes: d.MinLength, MaxBytes: d.Length, Bits: figure(d.Bits), Load: figure(d.Load), Share: figure(d.Share),
		Changing: hex.EncodeToString(d.Changing), Differ: figure(d.Moved), Counters: []jsonField{}, Checksums: append([]int{}, d.Like.Checksums...),
		OnlyAlive: d.Like.Alive, Pages: []jsonPageRow{}, Signals: []jsonMovement{}, PagesNotKnown: d.Unpaged}
	if d.MeanExact > 0 && d.Remotes < d.Frames {
		j.RecordPerSec = figure(float64(surveyRecordBytes(d)) * 1e9 / d.MeanExact)
	}
	for _, f := range d.Like.Counters {
		j.Counters = append(j.Counters, jsonField(f))
	}
	for i := range d.Pages {
		j.Pages = append(j.Pages, jsonPageRow{d.Pages[i].Number, rhythmDocument(&d.Pages[i].Rhythm)})
	}
	for i := range d.Signals {
		j.Signals = append(j.Signals, movementDocument(s, &d.Signals[i]))
	}
	return j
}

func movementDocument(s *Survey, g *survey.Signal) jsonMovement {
	j := jsonMovement{Name: g.Name, Unit: g.Unit, Wanted: s.Wanted[g], Frames: g.Frames, Moves: g.Movement.String(), Alive: g.Alive,
		Label: g.Label, Outside: g.Outside, Changes: g.Changes, PerSecond: figure(g.PerSecond), Shortest: times(g.Shortest), Pulse: times(g.Pulse)}
	if g.Frames > 0 {
		j.Low, j.High, j.Last = figure(g.Low), figure(g.High), figure(g.Last)
	}
	if g.Used > 0 {
		j.Used = figure(g.Used)
	}
	if !g.Float {
		j.Step = figure(math.Abs(g.Scale))
	}
	return j
}

// SurveyCSV writes a row for each identifier, each of its pages and each of its
// signals, told apart by the first column; of a database alone one for each
// message and signal.
func SurveyCSV(w io.Writer, s *Survey) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	_ = c.Write(surveyRow("", "", "", nil, nil, nil).names)
	if s.Inventory != nil {
		for i := range s.Inventory.IDs {
			d := &s.Inventory.IDs[i]
			_ = c.Write(surveyRow("identifier", d.ID.String(), d.Name, &d.Rhythm, d, nil).texts)
			for k := range d.Pages {
				_ = c.Write(surveyRow("page", d.ID.String(), strconv.Itoa(d.Pages[k].Number), &d.Pages[k].Rhythm, nil, nil).texts)
			}
			for k := range d.Signals {
				_ = c.Write(surveyRow("signal", d.ID.String(), d.Signals[k].Name, nil, nil, &d.Signals[k]).texts)
			}
		}
	}
	for i := range s.Layouts {
		l := &s.Layouts[i]
		_ = c.Write(surveyRow("message", l.ID.String(), l.Name, nil, &survey.ID{Length: l.Length, MinLength: l.Length, Declared: l.Period}, nil).texts)
		for k := range l.Signals {
			_ = c.Write(surveyRow("signal", l.ID.String(), l.Signals[k].Name, nil, nil, &survey.Signal{Definition: l.Signals[k]}).texts)
		}
	}
	c.Flush()
	return c.Error()
}

func surveyRow(kind, id, name string, r *survey.Rhythm, d *survey.ID, g *survey.Signal) *fields {
	f := &fields{}
	f.put("kind", kind)
	f.put("id", id)
	f.put("name", name)
	hasRhythm, hasID, hasSignal := r != nil, d != nil, g != nil
	if r == nil {
		r = &survey.Rhythm{}
	}
	if d == nil {
		d = &survey.ID{}
	}
	if g == nil {
		g = &survey.Signal{}
	}
	interval := r.MeanExact > 0
	f.figure("frames", float64(r.Frames+g.Frames), hasRhythm || g.Frames > 0)
	f.put("sent", map[bool]string{true: r.Regularity.String()}[hasRhythm])
	f.figure("period_mean_s", r.MeanExact/1e9, interval)
	f.figure("period_p5_s", r.Low.Seconds(), interval)
	f.figure("period_p50_s", r.Median.Seconds(), interval)
	f.figure("period_p95_s", r.High.Seconds(), interval)
	f.figure("period_min_s", r.Shortest.Seconds(), interval)
	f.figure("longest_silence_s", r.Longest.Seconds(), interval)
	f.figure("period_stated_s", d.Declared.Seconds(), d.Declared > 0)
	f.figure("bytes_min", float64(d.MinLength), hasID)
	f.figure("bytes_max", float64(d.Length), hasID)
	f.figure("bits_mean", d.Bits, hasID && hasRhythm)
	f.figure("load_share", d.Load, hasID && hasRhythm)
	f.put("changing_bits", hex.EncodeToString(d.Changing))
	f.put("like", likeText(d))
	moved := hasSignal && g.Frames > 0
	f.put("moves", map[bool]string{true: g.Movement.String()}[moved])
	f.figure("low", g.Low, moved)
	f.figure("high", g.High, moved)
	f.put("unit", g.Unit)
	f.figure("changes_per_s", g.PerSecond, moved)
	f.figure("shortest_between_changes_s", g.Shortest.Seconds(), g.Shortest > 0)
	f.figure("shortest_pulse_s", g.Pulse.Seconds(), g.Pulse > 0)
	f.figure("step_used", g.Used, g.Used > 0)
	f.figure("start", float64(g.Start), hasSignal)
	f.figure("bits", float64(g.Bits), hasSignal)
	return f
}

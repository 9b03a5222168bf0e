package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"stalegauge/bus"
	"stalegauge/bus/capture"
	"stalegauge/bus/response"
	"stalegauge/bus/signal"
	"stalegauge/bus/survey"
	"stalegauge/reports"
	"stalegauge/scenarios"
)

// request is what to inspect, read and checked.
type request struct {
	name     string // capture or scenario, "" = the database alone
	scenario bool
	options  survey.Options
	span     time.Duration // 0 = as long as the scenario runs
}

// request reads the flags.
func (f *inspectFlags) request(args []string) (q request, mistakes []error) {
	rate := func(name string, g given, most string, high float64) int {
		if !g.given {
			return 0
		}
		n, err := bitRateFlag(name, g.text, most, high)
		if err != nil {
			mistakes = append(mistakes, err)
		}
		return n
	}
	q.options.BitRate = rate("bitrate", f.bitRate, "1Mbit/s", 1e6)
	q.options.DataBitRate = rate("data-bitrate", f.dataBitRate, "8Mbit/s", 8e6)
	if f.dataBitRate.given && !f.bitRate.given {
		mistakes = append(mistakes, errors.New("--data-bitrate needs --bitrate: the rate outside the data phase"))
		q.options.DataBitRate = 0
	}
	if high := q.options.DataBitRate; high > 0 && q.options.BitRate > 0 && high < q.options.BitRate {
		mistakes = append(mistakes, fmt.Errorf("--data-bitrate: %s is slower than --bitrate %s, expected at least the same", f.dataBitRate.text, f.bitRate.text))
	}
	if len(args) > 0 {
		q.name = args[0]
		q.scenario = isScenario(q.name)
	}
	mistakes = append(mistakes, missing(q.name, q.scenario, f.database)...)
	if f.span.given {
		text, err := durationFlag("for", f.span.text)
		if err != nil {
			mistakes = append(mistakes, err)
		} else if q.span, err = time.ParseDuration(text); err != nil {
			mistakes = append(mistakes, err)
		}
	}
	return q, mistakes
}

// missing tells of files that are not there, all at once and before any is read.
func missing(name string, scenario bool, database string) (mistakes []error) {
	if database != "" {
		if _, err := os.Stat(database); errors.Is(err, fs.ErrNotExist) {
			mistakes = append(mistakes, fmt.Errorf("--database: %s: no such file", database))
		}
	}
	if name != "" && name != "-" && !scenario {
		if _, err := os.Stat(name); errors.Is(err, fs.ErrNotExist) {
			mistakes = append(mistakes, fmt.Errorf("%s: no such file and no built-in scenario", name))
		}
	}
	return mistakes
}

// isScenario reports whether a name is that of a scenario and not of a capture.
func isScenario(name string) bool {
	switch strings.ToLower(filepath.Ext(name)) {
	case ".yaml", ".yml":
		return true
	case ".dbc": // also the name of a built-in database, which is no scenario
		return false
	}
	_, err := scenarios.Text(name)
	return err == nil
}

// bitRateFlag reads a bit rate with its unit, up to a highest one.
func bitRateFlag(name, text, most string, high float64) (int, error) {
	number, unit := strings.TrimSpace(text), 0.0
	for _, u := range []struct {
		name  string
		times float64
	}{{"kbit/s", 1e3}, {"Mbit/s", 1e6}, {"bit/s", 1}} {
		if rest, ok := strings.CutSuffix(number, u.name); ok {
			number, unit = strings.TrimSpace(rest), u.times
			break
		}
	}
	x, err := strconv.ParseFloat(number, 64)
	if rate := x * unit; err == nil && rate >= 10_000 && rate <= high {
		return int(rate + 0.5), nil
	}
	return 0, fmt.Errorf("--%s: found %q, expected a bit rate with its unit from 10kbit/s to %s, such as 500kbit/s", name, text, most)
}

// inspect does the work and writes the result.
func (p *program) inspect(ctx context.Context, q request, f *inspectFlags) error {
	out, err := openOutput(p.out, f.out)
	if err != nil {
		return err
	}
	defer out.discard()
	s := &reports.Survey{Version: build(), Name: q.name, BitRate: survey.BitRate{Value: q.options.BitRate, Data: q.options.DataBitRate, Reason: "given"}}
	db, err := p.readDatabase(f.database, s)
	if err != nil {
		return err
	}
	if db != nil {
		q.options.Layouts = survey.OfDatabase(db)
	}
	switch {
	case q.name == "":
		declared(s, f.database, &q)
	case q.scenario:
		err = p.surveyScenario(ctx, s, &q, db, f)
	default:
		err = p.surveyCapture(ctx, s, &q, f)
	}
	if err != nil {
		return err
	}
	var b bytes.Buffer
	switch f.format {
	case "json":
		err = reports.SurveyJSON(&b, s)
	case "csv":
		err = reports.SurveyCSV(&b, s)
	default:
		err = reports.SurveyText(&b, s, reports.TextOptions{Color: f.out == "" && wantsColor(p.out)})
	}
	if err != nil {
		return err
	}
	return out.write(b.Bytes())
}

// shownMistakes is how many mistakes of a database are told one by one.
const shownMistakes = 20

// readDatabase reads the database, if one is named, and tells what is wrong in it.
func (p *program) readDatabase(path string, s *reports.Survey) (*signal.Database, error) {
	if path == "" {
		return nil, nil
	}
	db, mistakes, err := signal.ReadDatabase(path)
	for i, m := range mistakes {
		if i == shownMistakes {
			p.say(fmt.Sprintf("%s: %d more lines like these", path, len(mistakes)-i))
			break
		}
		p.say(m.Error())
	}
	if len(mistakes) > 0 {
		s.Notes = append(s.Notes, fmt.Sprintf("%s has %d entries that were repaired or skipped; they are listed on standard error", path, len(mistakes)))
	}
	return db, err
}

// declared fills in what a database says by itself.
func declared(s *reports.Survey, path string, q *request) {
	s.Name, s.Kind, s.Layouts = path, "signal database", q.options.Layouts.All
	if s.BitRate.Value == 0 {
		s.BitRate = survey.BitRate{Value: 500_000, Reason: "assumed; --bitrate gives another"}
	}
	s.BitRate.Data = max(s.BitRate.Value, s.BitRate.Data)
	s.Waits, s.Open = q.options.Layouts.Declared(s.BitRate.Value, s.BitRate.Data)
	s.DeclaredMost, s.DeclaredLeast = survey.LoadOf(s.Waits)
}

// surveyCapture surveys a capture file or standard input.
func (p *program) surveyCapture(ctx context.Context, s *reports.Survey, q *request, f *inspectFlags) error {
	var report capture.Report
	err := unlessStopped(ctx, func() error {
		r, err := capture.Open(q.name, capture.Options{Channel: f.channel})
		if err != nil {
			return err
		}
		defer r.Close()
		err = p.listen(ctx, s, r, q)
		report = r.Report()
		return err
	})
	if err != nil {
		return err
	}
	s.Capture, s.Kind = &report, report.Shape.String()
	if q.name == "-" {
		s.Name = "standard input"
	}
	if len(q.options.Layouts.All) > 0 {
		s.Waits, s.Open = q.options.Layouts.Declared(s.BitRate.Value, s.BitRate.Data)
		s.Open = append(s.Open, survey.Unstated(s.Inventory, s.Waits)...)
	}
	if f.draft != "" {
		return p.draft(s, q, f)
	}
	return nil
}

// unlessStopped does what may wait for a pipe for ever, and comes back when the
// user stops the program. What was begun is left behind then.
func unlessStopped(ctx context.Context, work func() error) error {
	done := make(chan error, 1)
	go func() { done <- work() }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// listen surveys a source. A signal from the user ends it.
func (p *program) listen(ctx context.Context, s *reports.Survey, source bus.Source, q *request) error {
	u := survey.New(q.options)
	bar := newCounter(p.errw, "frames")
	defer bar.close()
	const often = 1 << 14
	var frame bus.Frame
	for n := 1; source.Next(&frame) && (q.span == 0 || frame.At < q.span); n++ {
		u.Add(&frame)
		if n%often == 0 {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			bar.count(n)
		}
	}
	if failed, ok := source.(interface{ Err() error }); ok && failed.Err() != nil {
		return failed.Err()
	}
	s.Inventory = u.Inventory()
	s.BitRate = s.Inventory.BitRate
	return nil
}

// surveyScenario surveys the bus of a scenario.
func (p *program) surveyScenario(ctx context.Context, s *reports.Survey, q *request, db *signal.Database, f *inspectFlags) error {
	plan, err := scenarios.Open(q.name, f.sets)
	if err != nil {
		return &usageError{"stalegauge inspect", []error{&scenarioError{err}}}
	}
	defer plan.Close()
	s.Name, s.Kind = plan.Name, "message set of the scenario"
	reason := "given"
	if q.options.BitRate == 0 {
		q.options.BitRate, q.options.DataBitRate = plan.Bus.BitRate, plan.Bus.DataBitRate
		reason = "of the scenario"
	}
	if db == nil {
		q.options.Layouts = survey.OfMessages(plan.Bus.Messages)
	}
	var source bus.Source
	if c := plan.Bus.Capture; c != nil {
		r, err := c.Open()
		if err != nil {
			return err
		}
		defer r.Close()
		source, s.Kind = r, "capture of the scenario"
		defer func() { report := r.Report(); s.Capture = &report }()
	} else {
		if q.span == 0 {
			_, q.span = plan.Window()
		}
		source, err = plan.Bus.Source(scenarios.Streams{Seed: plan.Seed}, nil, nil)
		if err != nil {
			return err
		}
		if c, ok := source.(io.Closer); ok {
			defer c.Close()
		}
		s.Waits, s.Open = survey.WaitsOf(response.Bus{Messages: plan.Bus.Messages, BitRate: plan.Bus.BitRate,
			DataBitRate: plan.Bus.DataBitRate, Timeline: plan.Bus.Timeline, BitErrorRate: plan.Bus.BitErrorRate})
	}
	if err := p.listen(ctx, s, source, q); err != nil {
		return err
	}
	s.Wanted = shownOf(plan, s.Inventory)
	s.Inventory.BitRate.Reason = reason
	s.BitRate = s.Inventory.BitRate
	if f.draft != "" {
		return p.draft(s, q, f)
	}
	return nil
}

// shownOf returns the signals of an inventory that displays show, found by their
// place: a display may have a name of its own for one.
func shownOf(plan *scenarios.Plan, inv *survey.Inventory) map[*survey.Signal]bool {
	shown := map[*survey.Signal]bool{}
	for i := range inv.IDs {
		for j := range inv.IDs[i].Signals {
			g := &inv.IDs[i].Signals[j]
			for _, r := range plan.Receivers {
				for _, s := range r.Shows {
					d := &s.Signal
					if s.ID == inv.IDs[i].ID && d.Start == g.Start && d.Bits == g.Bits && d.BigEndian == g.BigEndian && d.Page == g.Page {
						shown[g] = true
					}
				}
			}
		}
	}
	return shown
}

// draft writes the scenario. A file that is there is kept: somebody may have worked
// on it.
func (p *program) draft(s *reports.Survey, q *request, f *inspectFlags) error {
	if _, err := os.Lstat(f.draft); err == nil {
		return fmt.Errorf("--draft: %s exists already and is kept", f.draft)
	}
	d := scenarios.Draft{Source: s.Name, Channel: f.channel, Inventory: s.Inventory, Fit: f.fit}
	if !f.fit {
		if q.scenario {
			return errors.New("--draft: the traffic of a scenario is no capture; give --fit")
		}
		var err error
		if d.Capture, err = besides(f.draft, q.name); err != nil {
			return err
		}
	}
	var b bytes.Buffer
	if err := scenarios.WriteDraft(&b, d); err != nil {
		return err
	}
	out, err := openOutput(p.out, f.draft)
	if err != nil {
		return err
	}
	defer out.discard()
	if err := out.write(b.Bytes()); err != nil {
		return err
	}
	p.say(fmt.Sprintf("scenario written to %s; try: stalegauge run %s", f.draft, f.draft))
	return nil
}

// besides returns the path of a capture as a scenario file names it, which is
// looked for beside the file.
func besides(scenario, name string) (string, error) {
	absolute, err := filepath.Abs(name)
	if err != nil {
		return "", err
	}
	at, err := filepath.Abs(filepath.Dir(scenario))
	if err != nil {
		return "", err
	}
	if relative, err := filepath.Rel(at, absolute); err == nil {
		return relative, nil
	}
	return absolute, nil
}

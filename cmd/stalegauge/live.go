package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"stalegauge/radio"
	"stalegauge/reports"
	"stalegauge/reports/metrics"
	"stalegauge/scenarios"
	"stalegauge/sim/live"
)

// longestLive bounds a run on a wall clock.
const longestLive = 24 * time.Hour

// liveDuration reads how long a live run lasts.
func liveDuration(name, text string, least, most time.Duration) (time.Duration, error) {
	d, err := time.ParseDuration(strings.NewReplacer(" ", "", "min", "m").Replace(text))
	if err != nil || d < least || d > most {
		return 0, fmt.Errorf("--%s: found %q, expected a time with its unit from %s to %s", name, text, spell(least), spell(most))
	}
	return d, nil
}

// addressError says what is wrong with an address or the interface beside it.
func addressError(name string, err error) error {
	if errors.Is(err, live.ErrNoInterface) {
		name = "interface"
	}
	return fmt.Errorf("--%s: %w", name, err)
}

// rateFlag reads a number a second.
func rateFlag(name, text string, least, most float64) (float64, error) {
	digits, unit := strings.CutSuffix(strings.TrimSpace(text), "/s")
	n, err := strconv.ParseFloat(strings.TrimSpace(digits), 64)
	if !unit && err == nil {
		return 0, fmt.Errorf("--%s: found %q, a number without a unit, expected a rate such as %s/s", name, text, digits)
	}
	if err != nil || !(n >= least && n <= most) {
		return 0, fmt.Errorf("--%s: found %q, expected a rate from %.0f/s to %.0f/s", name, text, least, most)
	}
	return n, nil
}

// weatherOf returns the weather of a display of the scenario.
func weatherOf(plan *scenarios.Plan, name string) (*radio.Weather, error) {
	var names []string
	for i := range plan.Receivers {
		if plan.Receivers[i].Name == name {
			return &plan.Receivers[i].Weather, nil
		}
		names = append(names, plan.Receivers[i].Name)
	}
	return nil, fmt.Errorf("--weather: found %q, expected a display of the scenario: %s", name, strings.Join(names, ", "))
}

// doorFlag adds the flag of a door for a metrics server.
func doorFlag(c *cobra.Command, f *given) {
	c.Flags().Var(f, "metrics", "serve metrics at this `ADDRESS` meanwhile, such as 127.0.0.1:9464; a port alone is on this machine only")
	completeFlags(c, map[string]cobra.CompletionFunc{"metrics": fixed("9464")})
}

// checkDoor returns what is wrong with the address of a door.
func checkDoor(f given) error {
	if !f.given {
		return nil
	}
	if _, err := metrics.Address(f.text); err != nil {
		return fmt.Errorf("--metrics: %w", err)
	}
	return nil
}

// serveLive opens the door of a live run, where one was asked for; the function
// that it returns closes it. The figures are there until the report is.
func (p *program) serveLive(address given, run *metrics.LiveRun) (func() error, error) {
	if !address.given {
		return func() error { return nil }, nil
	}
	// An interrupt ends the run, not the door: the last look is the whole of it.
	server, err := p.openDoor(context.Background(), address.text, run.Source())
	if err != nil {
		return nil, err
	}
	return server.Close, nil
}

// liveOutput is where and how a live report goes.
type liveOutput struct{ format, out string }

func (f *liveOutput) flags(c *cobra.Command) {
	c.Flags().StringVar(&f.format, "format", "text", "`FORM` of the report: text, json or csv")
	c.Flags().StringVar(&f.out, "out", "", "write the report to this `FILE` instead of standard output")
	if err := c.RegisterFlagCompletionFunc("format", cobra.FixedCompletions(formats, cobra.ShellCompDirectiveNoFileComp)); err != nil {
		panic("stalegauge: " + err.Error())
	}
}

// check finds out early what would fail at the end.
func (f *liveOutput) check(p *program) (mistakes []error) {
	if !slices.Contains(formats, f.format) {
		mistakes = append(mistakes, wordFlag("format", f.format, formats))
	}
	out, err := openOutput(p.out, f.out)
	if err != nil {
		return append(mistakes, err)
	}
	out.discard()
	return mistakes
}

// report writes the answer of a live run.
func (f *liveOutput) report(stdout io.Writer, r *reports.Live) error {
	out, err := openOutput(stdout, f.out)
	if err != nil {
		return err
	}
	defer out.discard()
	r.Version = build()
	var b bytes.Buffer
	switch f.format {
	case "json":
		err = reports.LiveJSON(&b, r)
	case "csv":
		err = reports.LiveCSV(&b, r)
	default:
		err = reports.LiveText(&b, r, reports.TextOptions{Color: f.out == "" && wantsColor(stdout)})
	}
	if err != nil {
		return err
	}
	return out.write(b.Bytes())
}

// screen shows on a terminal what goes on, in place; elsewhere it writes a line
// now and then.
type screen struct {
	w     io.Writer
	file  *os.File // nil = no terminal
	color bool
	drawn int
	next  time.Time // of the next plain line
}

// plainEvery is how often a plain line comes.
const plainEvery = 10 * time.Second

func newScreen(w io.Writer) *screen {
	s := &screen{w: w, next: time.Now().Add(plainEvery)}
	if isTerminal(w) {
		s.file, s.color = w.(*os.File), wantsColor(w)
	}
	return s
}

// show brings what is known up to date: table for a terminal, line otherwise.
func (s *screen) show(table func(o reports.TextOptions, lines int) []string, line func() string) {
	if s.file == nil {
		if now := time.Now(); now.After(s.next) {
			s.next = now.Add(plainEvery)
			fmt.Fprintln(s.w, line())
		}
		return
	}
	width, height, err := term.GetSize(int(s.file.Fd()))
	if err != nil {
		width, height = 80, 24
	}
	lines := table(reports.TextOptions{Width: width, Color: s.color}, max(height-1, 2))
	s.clear()
	for _, l := range lines {
		fmt.Fprintln(s.w, l)
	}
	s.drawn = len(lines)
}

// clear takes the table away.
func (s *screen) clear() {
	if s.drawn > 0 {
		fmt.Fprintf(s.w, "\x1b[%dA\x1b[J", s.drawn)
		s.drawn = 0
	}
}

// rampFlag reads from=100/s,to=20000/s,step=10s,until-loss=1%.
func rampFlag(text string) (live.RampConfig, []error) {
	c := live.RampConfig{From: 100, To: 20000, Step: 10 * time.Second, UntilLoss: 0.01}
	var errs []error
	for _, part := range strings.Split(text, ",") {
		key, value, _ := strings.Cut(strings.TrimSpace(part), "=")
		var err error
		switch key {
		case "from":
			c.From, err = rateFlag("ramp: from", value, 1, mostRate)
		case "to":
			c.To, err = rateFlag("ramp: to", value, 1, mostRate)
		case "step":
			c.Step, err = liveDuration("ramp: step", value, 100*time.Millisecond, time.Hour)
		case "until-loss":
			c.UntilLoss, err = shareFlag("ramp: until-loss", value, 0, 1)
		default:
			err = fmt.Errorf("--ramp: found %q, expected from=RATE, to=RATE, step=TIME or until-loss=SHARE, such as from=100/s,to=20000/s,step=10s,until-loss=1%%", part)
		}
		if err != nil {
			errs = append(errs, err)
		}
	}
	if c.To < c.From {
		errs = append(errs, fmt.Errorf("--ramp: found to=%.0f/s below from=%.0f/s", c.To, c.From))
	}
	return c, errs
}

// speedFlag reads 1x, 4x or max, which is 0.
func speedFlag(text string) (float64, error) {
	if text == "max" {
		return 0, nil
	}
	digits, found := strings.CutSuffix(text, "x")
	n, err := strconv.ParseFloat(digits, 64)
	if !found || err != nil || !(n >= 0.01 && n <= 1000) || math.IsNaN(n) {
		return 0, fmt.Errorf("--speed: found %q, expected max or a multiple such as 1x or 4x, from 0.01x to 1000x", text)
	}
	return n, nil
}

// mostRate bounds every rate that can be asked for.
const mostRate = 1_000_000

// pathless takes the name off an error of the file system.
func pathless(err error) error {
	var path *os.PathError
	if errors.As(err, &path) {
		return path.Err
	}
	return err
}

// spell writes a time as a flag takes it.
func spell(d time.Duration) string {
	switch {
	case d >= time.Hour && d%time.Hour == 0:
		return fmt.Sprintf("%dh", d/time.Hour)
	case d >= time.Minute && d%time.Minute == 0:
		return fmt.Sprintf("%dmin", d/time.Minute)
	default:
		return d.String()
	}
}

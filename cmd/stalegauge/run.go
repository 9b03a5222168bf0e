package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"stalegauge/reports"
	"stalegauge/reports/metrics"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// defaultScenario is what runs when nobody names a scenario.
const defaultScenario = "orchard"

// maxReplications bounds --replications as a scenario bounds its own.
const maxReplications = 100_000

var formats = []string{"text", "json", "csv"}

// runFormats are those of a run, whose replications can be kept as time series.
var runFormats = append(slices.Clip(formats), openMetrics)

// runFlags is what the user asked of run, as text.
type runFlags struct {
	sets                         []string
	duration, seed, replications given
	precision                    given
	format, out                  string
	metrics                      metricFlags
	trace                        traceFlags
}

// given is the text of a flag and whether the user gave it.
type given struct {
	text  string
	given bool
}

// String returns the text.
func (g *given) String() string { return g.text }

// Set takes what the user gave.
func (g *given) Set(text string) error {
	g.text, g.given = text, true
	return nil
}

// Type is the word that stands for the value in the help.
func (g *given) Type() string { return "TEXT" }

func (p *program) runCommand() *cobra.Command {
	var f runFlags
	c := &cobra.Command{
		Use:   "run [SCENARIO]",
		Short: "Simulate a scenario: ages, losses and verdicts for each display and signal",
		Long: `Simulate a scenario and report, for each signal on each display, how old the
shown value is, where every millisecond comes from, what was lost to which
cause, and whether the limits hold. SCENARIO is a file or the name of a
built-in scenario; without one the scenario "` + defaultScenario + `" runs.

The first six lines of the text answer; tables follow. The exit status is 0
when all limits are met, 1 when one is missed or undecided, 2 when something
was wrong with the command line or the scenario.`,
		Example: `  stalegauge run
  stalegauge run orchard --set receivers.pillar.queue=4 --duration 10min
  stalegauge run my-tractor.yaml --replications 40 --seed 7
  stalegauge run my-tractor.yaml --replications auto --precision 5%
  stalegauge run forward-everything --format json --out answer.json
  stalegauge run --format openmetrics --out orchard.om --step 5s
  stalegauge run orchard --explain ground_speed@pillar
  stalegauge run orchard --trace life.csv --signal ground_speed --to 10s`,
		ValidArgsFunction: completeScenario,
	}
	f.add(c)
	p.command(c, func(c *cobra.Command, args []string) (func() error, []error) {
		plan, mistakes := readPlan(args, &f)
		p.keep(plan)
		options, err := f.options()
		if err != nil {
			mistakes = append(mistakes, err)
		}
		if !slices.Contains(runFormats, f.format) {
			mistakes = append(mistakes, wordFlag("format", f.format, runFormats))
		}
		step, wrong := f.metrics.check(f.format, options.Sequential)
		mistakes = append(mistakes, wrong...)
		if out, err := openOutput(p.out, f.out); err != nil {
			mistakes = append(mistakes, err)
		} else {
			out.discard()
		}
		look, more := f.closer(plan, args)
		work := &running{plan: plan, options: options, step: step, look: look}
		return func() error { return p.simulate(c, work, &f) }, append(mistakes, more...)
	})
	return c
}

// add adds the flags of a run.
func (f *runFlags) add(c *cobra.Command) {
	flags := c.Flags()
	flags.SortFlags = false
	flags.StringArrayVar(&f.sets, "set", nil, "change a `KEY=VALUE` of the scenario; may be given again")
	flags.Var(&f.duration, "duration", "`TIME` of the steady-state window of one replication, such as 60s")
	flags.Var(&f.seed, "seed", "whole `NUMBER` that starts all random streams")
	flags.Var(&f.replications, "replications", "`NUMBER` of independent repetitions, or auto: until every limit is decided, 320 at most")
	flags.Var(&f.precision, "precision", "with --replications auto: go on until every mean is known this closely too, such as `5%`")
	flags.StringVar(&f.format, "format", "text", "`FORM` of the result: text, json, csv, or openmetrics: time series for a metrics server")
	flags.StringVar(&f.out, "out", "", "write the result to this `FILE` instead of standard output")
	f.metrics.add(c)
	f.trace.add(c)
	completeFlags(c, map[string]cobra.CompletionFunc{
		"set": completeKey, "format": fixed(runFormats...), "duration": fixed("60s", "10min", "1h"),
		"seed": fixed(), "replications": fixed("auto", "10", "20", "40", "80", "160", "320"), "precision": fixed("5%", "2%", "1%"),
	})
}

// fixed completes a flag to one of a few words.
func fixed(words ...string) cobra.CompletionFunc {
	return cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp)
}

// completeFlags says how the values of flags are completed.
func completeFlags(c *cobra.Command, by map[string]cobra.CompletionFunc) {
	for name, complete := range by {
		if err := c.RegisterFlagCompletionFunc(name, complete); err != nil {
			panic("stalegauge: " + err.Error())
		}
	}
}

// options says how often to run.
func (f *runFlags) options() (o study.Options, err error) {
	o.Version, o.Sequential = build(), f.replications.text == "auto"
	switch {
	case !f.precision.given:
	case !o.Sequential:
		err = fmt.Errorf("--precision: found %q without --replications auto: a fixed number of replications gives what it gives", f.precision.text)
	default:
		o.Precision, err = shareFlag("precision", f.precision.text, 0.001, 0.5)
	}
	return o, err
}

// changes returns the changes of --set, --duration and --seed.
func (f *runFlags) changes() (sets []string, mistakes []error) {
	sets = slices.Clone(f.sets)
	change := func(key, value string, err error) {
		if err != nil {
			mistakes = append(mistakes, err)
			return
		}
		sets = append(sets, key+"="+value)
	}
	if f.duration.given {
		value, err := durationFlag("duration", f.duration.text)
		change("duration", value, err)
	}
	if f.seed.given {
		value, err := wholeFlag("seed", f.seed.text, 0, math.MaxInt64)
		change("seed", value, err)
	}
	return sets, mistakes
}

// readPlan reads the scenario with all changes that the flags make.
func readPlan(args []string, f *runFlags) (*scenarios.Plan, []error) {
	sets, mistakes := f.changes()
	if f.replications.given && f.replications.text != "auto" {
		value, err := wholeFlag("replications", f.replications.text, 1, maxReplications)
		if err != nil {
			mistakes = append(mistakes, fmt.Errorf("%w, or auto", err))
		} else {
			sets = append(sets, "replications="+value)
		}
	}
	name := defaultScenario
	switch len(args) {
	case 0:
	case 1:
		name = args[0]
	default:
		return nil, append(mistakes, fmt.Errorf("one scenario at a time: found %q after %q", args[1], args[0]))
	}
	plan, err := scenarios.Open(name, sets)
	if err != nil {
		mistakes = append(mistakes, &scenarioError{err})
	}
	return plan, mistakes
}

// running is a run that is ready to begin.
type running struct {
	plan    *scenarios.Plan
	options study.Options
	step    time.Duration // of a history
	look    closer
}

// simulate runs the plan and writes the result.
func (p *program) simulate(c *cobra.Command, w *running, f *runFlags) (err error) {
	ctx, plan, o := c.Context(), w.plan, w.options
	out, err := openOutput(p.out, f.out)
	if err != nil {
		return err
	}
	defer out.discard()
	bar := newProgress(p.errw, "replications")
	o.Progress = bar.report
	var history *metrics.History
	if f.format == openMetrics {
		if history, err = f.metrics.history(plan, w.step, &o); err != nil {
			return err
		}
	}
	shut, err := p.serve(c, &f.metrics, plan, &o)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, shut()) }()
	if w.look.search != nil {
		o.Folded = both(o.Folded, w.look.search.Add)
	}
	result, err := study.Run(ctx, plan, o)
	bar.close()
	if err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if w.look.trace != nil {
		if err := p.trace(ctx, plan, w.look.trace, f.trace.file.text); err != nil {
			return err
		}
	}
	p.status = statusOf(result)
	if f.format == openMetrics {
		return p.writeHistory(history, out, f.out)
	}
	text, err := w.render(ctx, result, f.format, reports.TextOptions{Color: f.out == "" && wantsColor(p.out)})
	if err != nil {
		return err
	}
	return out.write(text)
}

// render writes the result in the form that was asked for.
func (w *running) render(ctx context.Context, result *study.Result, format string, look reports.TextOptions) ([]byte, error) {
	var b bytes.Buffer
	var err error
	switch {
	case w.look.search != nil:
		err = w.look.explain(ctx, &b, result, look)
	case format == "json":
		err = reports.JSON(&b, result)
	case format == "csv":
		err = reports.CSV(&b, result)
	default:
		err = reports.Text(&b, result, look)
	}
	return b.Bytes(), err
}

// statusOf is the exit status that a result asks for.
func statusOf(r *study.Result) int {
	for _, d := range r.Receivers {
		for i := range d.Signals {
			if v := d.Signals[i].Verdict; v != study.Met && v != study.NoLimit {
				return statusOpen
			}
		}
	}
	return statusMet
}

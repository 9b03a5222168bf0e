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
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"stalegauge/reports"
	"stalegauge/scenarios"
	"stalegauge/sim/study/size"
)

// sizeFormats are those of the answer of a search.
var sizeFormats = []string{"text", "json"}

// sizeFlags is what the user asked of size, as text.
type sizeFlags struct {
	runFlags
	radios    []string
	objective string
	budget    string
	write     string
	metrics   given
}

const sizeLong = `Search for the cheapest design that keeps every limit of a scenario: policy and
its timers, layout, repeats and their spacing, the order of the forward list, the
depth of the send queue and, where asked, the radio and its rate. The block size
of the scenario narrows what is tried.

The first lines of the answer are the settings as a scenario takes them. The
margin of each limit follows, what each hangs on most, the designs that nothing
beats in both time on air and age, the next best one and why it lost, further
identifiers that still fit, and how many designs were removed by which bound.
Where nothing keeps all limits it tells which of them clash, and what could be
kept.

What is found is simulated again on fresh seeds before it is told. An interrupt
prints the best so far. The exit status is 0 when a design was found, 1 when none
was, and 2 when something was wrong or it was stopped.`

func (p *program) sizeCommand() *cobra.Command {
	var f sizeFlags
	c := &cobra.Command{
		Use:   "size SCENARIO",
		Short: "Find the cheapest design that keeps every limit, and say why nothing cheaper does",
		Long:  sizeLong,
		Example: `  stalegauge size orchard
  stalegauge size orchard --objective energy --set power.tx=1.2W --write sized.yaml
  stalegauge size my-tractor.yaml --radios action-frame@6Mbit/s,802.15.4,gfsk-packet
  stalegauge size my-tractor.yaml --set 'size.policies=[fill, table]' \
      --budget 5e8frames --format json --out answer.json`,
		ValidArgsFunction: completeScenario,
	}
	flags := c.Flags()
	flags.SortFlags = false
	flags.StringSliceVar(&f.radios, "radios", nil, "try these `PROFILES`, each perhaps as PROFILE@RATE, instead of size.radios")
	flags.StringVar(&f.objective, "objective", size.LeastAir.String(), "what is made best, `WHAT`: airtime, energy or margin")
	flags.StringVar(&f.budget, "budget", "60s", "`WORK` of it all, a time such as 60s or bus frames such as 5e8frames; the search ends after seven tenths")
	flags.StringVar(&f.write, "write", "", "write a complete scenario with the design to this new `FILE`")
	flags.StringArrayVar(&f.sets, "set", nil, "change a `KEY=VALUE` of the scenario; may be given again")
	flags.Var(&f.duration, "duration", "`TIME` of the steady-state window of one replication, such as 60s")
	flags.Var(&f.seed, "seed", "whole `NUMBER` that starts all random streams")
	flags.StringVar(&f.format, "format", "text", "`FORM` of the result: text or json")
	flags.StringVar(&f.out, "out", "", "write the result to this `FILE` instead of standard output")
	flags.Var(&f.metrics, "metrics", "serve metrics of the search and of the best design so far at this `ADDRESS`, such as 127.0.0.1:9464; a port alone is on this machine only")
	fixed := func(words ...string) cobra.CompletionFunc {
		return cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp)
	}
	for name, complete := range map[string]cobra.CompletionFunc{
		"radios": fixed(), "objective": fixed(size.Objectives()...), "budget": fixed("60s", "10min", "5e8frames"), "set": completeKey,
		"format": fixed(sizeFormats...), "duration": fixed("60s", "10min", "1h"), "seed": fixed(), "metrics": fixed("9464"),
	} {
		if err := c.RegisterFlagCompletionFunc(name, complete); err != nil {
			panic("stalegauge: " + err.Error())
		}
	}
	p.command(c, func(c *cobra.Command, args []string) (func() error, []error) {
		work, mistakes := f.prepare(args)
		if !slices.Contains(sizeFormats, f.format) {
			mistakes = append(mistakes, wordFlag("format", f.format, sizeFormats))
		}
		if out, err := openOutput(p.out, f.out); err != nil {
			mistakes = append(mistakes, err)
		} else {
			out.discard()
		}
		if len(mistakes) > 0 && work.problem != nil {
			mistakes = append(mistakes, each(work.problem.Close())...)
		}
		return func() error { return p.size(c.Context(), work, &f) }, mistakes
	})
	return c
}

// sizing is a search that is ready to run.
type sizing struct {
	problem *size.Problem
	options size.Options
	span    time.Duration // budget; 0 = none
	frames  uint64        // budget; 0 = none
	used    func(frames uint64) (used, budget float64)
}

// prepare reads all that the flags say, and finds all that is wrong with it.
func (f *sizeFlags) prepare(args []string) (*sizing, []error) {
	w := &sizing{options: size.Options{Version: build()}}
	sets, mistakes := f.changes()
	at := slices.Index(size.Objectives(), f.objective)
	if at < 0 {
		mistakes = append(mistakes, wordFlag("objective", f.objective, size.Objectives()))
	}
	w.options.Objective = size.Objective(max(at, 0))
	var err error
	if w.span, w.frames, err = budgetFlag(f.budget); err != nil {
		mistakes = append(mistakes, err)
	}
	if len(f.radios) > 0 {
		sets = append(sets, "size.radios=["+strings.Join(f.radios, ", ")+"]")
	}
	if err := checkDoor(f.metrics); err != nil {
		mistakes = append(mistakes, err)
	}
	if err := f.mayWrite(); err != nil {
		mistakes = append(mistakes, err)
	}
	switch len(args) {
	case 0:
		return w, append(mistakes, errors.New("size takes a scenario, such as "+defaultScenario))
	case 1:
	default:
		mistakes = append(mistakes, fmt.Errorf("one scenario at a time: found %q after %q", args[1], args[0]))
	}
	if w.problem, err = size.Open(args[0], sets); err != nil {
		mistakes = append(mistakes, &scenarioError{err})
	}
	return w, mistakes
}

// mayWrite sees that the file of --write is new and that its folder is there, before
// a minute is spent.
func (f *sizeFlags) mayWrite() error {
	if f.write == "" {
		return nil
	}
	if _, err := os.Lstat(f.write); !errors.Is(err, fs.ErrNotExist) {
		if err == nil {
			err = errors.New("it exists already and is kept")
		}
		return fmt.Errorf("--write: cannot write %s: %w", f.write, err)
	}
	if info, err := os.Stat(filepath.Dir(f.write)); err != nil || !info.IsDir() {
		return fmt.Errorf("--write: cannot write %s: there is no folder %s", f.write, filepath.Dir(f.write))
	}
	return nil
}

// size runs the search and writes what it tells.
func (p *program) size(ctx context.Context, w *sizing, f *sizeFlags) error {
	out, err := openOutput(p.out, f.out)
	if err != nil {
		return err
	}
	defer out.discard()
	bar := w.watch(p.errw)
	shut, err := p.serveSearch(ctx, f.metrics, w)
	if err != nil {
		return errors.Join(err, w.problem.Close())
	}
	a, err := size.Run(ctx, w.problem, w.options)
	bar.close()
	err = errors.Join(err, shut())
	stopped := err != nil && a != nil && ctx.Err() != nil
	if err := errors.Join(err, w.problem.Close()); err != nil && !stopped {
		return err
	}
	var b bytes.Buffer
	if f.format == "json" {
		err = reports.SizeJSON(&b, a)
	} else {
		err = reports.SizeText(&b, a, reports.TextOptions{Color: f.out == "" && wantsColor(p.out)})
	}
	if err != nil {
		return err
	}
	switch {
	case stopped:
		p.status = statusWrong
		p.say("stopped before the end; the result tells of the best until then")
	case a.Best == nil || !a.Confirmed:
		p.status = statusOpen
	}
	if err := out.write(b.Bytes()); err != nil || f.write == "" {
		return err
	}
	return p.writeSized(a, f.write)
}

// writeSized writes the scenario with the design that was found.
func (p *program) writeSized(a *size.Answer, path string) error {
	if a.Best == nil || !a.Confirmed {
		p.say("--write: nothing was found and confirmed, so that " + path + " was not written")
		return nil
	}
	head := fmt.Sprintf("Made from %s: %s. It keeps all limits at %.3g %% of the time on air,\nas simulated with seed %d. Everything the scenario said is here.",
		a.Problem.Scenario, a.Best.Name, 100*a.Best.Own, a.Problem.Plan.Seed)
	text, err := scenarios.Compose(a.Problem.Scenario, a.Problem.With(&a.Best.Design), path, head)
	if err == nil {
		err = scenarios.Create(text, path)
	}
	if err != nil {
		return fmt.Errorf("--write: %w", err)
	}
	return nil
}

// watch shows the progress on errw, and ends the search when its part of the budget
// is used up. What was found so far has no part in that.
func (w *sizing) watch(errw io.Writer) *progress {
	bar := newProgress(errw, "% of the budget")
	begin := time.Now()
	searching := true
	const hundred = 100
	w.used = func(frames uint64) (used, budget float64) {
		if w.span > 0 {
			return float64(time.Since(begin)), float64(w.span)
		}
		return float64(frames), float64(w.frames)
	}
	w.options.Ends = func(frames uint64) bool { return size.Spent(w.used(frames)) }
	w.options.Work = func(frames uint64) {
		if used, budget := w.used(frames); searching {
			bar.report(int(hundred*min(used/budget, 1)), hundred)
		}
	}
	w.options.Step = func(what string, done, of int) {
		if searching = searching && what == "designs"; !searching {
			bar.report(hundred-30+30*done/max(of, 1), hundred) // the search takes seven tenths
		}
	}
	return bar
}

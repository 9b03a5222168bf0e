package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"stalegauge/reports/metrics"
	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/study"
	"stalegauge/sim/study/size"
)

func (p *program) metricsCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "metrics",
		Short: "Bring a history into a metrics server; print its dashboard and rules",
		Long: `Bring the history of a simulated run into a metrics server, and print a
dashboard and rules that fit both a history and a live run.`,
		Example: `  stalegauge run --format openmetrics --out orchard.om
  stalegauge metrics import orchard.om
  stalegauge metrics dashboard orchard.om > dashboard.json
  stalegauge metrics rules > rules.yml`,
	}
	p.group(c)
	c.AddCommand(p.importCommand(), p.dashboardCommand(), p.rulesCommand())
	return c
}

func (p *program) importCommand() *cobra.Command {
	data, listen := "", ""
	c := &cobra.Command{
		Use:   "import HISTORY...",
		Short: "Check histories and print the commands that import them",
		Long: `Check histories that run --format openmetrics wrote and print the commands that
import them and start a metrics server on them, as a shell script that explains
itself and names the traps. Nothing is imported or started. Several histories
need different designs, such as two runs with different --design.`,
		Example: `  stalegauge metrics import orchard.om
  stalegauge metrics import --data compared now.om then.om > import.sh`,
	}
	c.Flags().StringVar(&data, "data", "stalegauge-data", "`FOLDER` of its own that the blocks go to")
	c.Flags().StringVar(&listen, "listen", "127.0.0.1:9812", "`ADDRESS` at which the metrics server is to listen")
	p.command(c, func(_ *cobra.Command, args []string) (func() error, []error) {
		var mistakes []error
		address, err := metrics.Address(listen)
		if err != nil {
			mistakes = append(mistakes, fmt.Errorf("--listen: %w", err))
		}
		if data == "" || strings.ContainsAny(data, "\n\r") {
			mistakes = append(mistakes, fmt.Errorf("--data: found %q, expected the name of a folder", data))
		}
		if len(args) == 0 {
			mistakes = append(mistakes, errors.New("import takes the history files of runs, found none"))
		}
		files, wrong := checkHistories(args)
		return func() error {
			var b bytes.Buffer
			if err := metrics.Guide(&b, files, data, address); err != nil {
				return err
			}
			_, err := p.out.Write(b.Bytes())
			return err
		}, append(mistakes, wrong...)
	})
	return c
}

// checkHistories reads all files and returns all that is wrong with them.
func checkHistories(names []string) (files []metrics.File, mistakes []error) {
	owner := map[string]string{}
	for _, name := range names {
		contents, err := checkHistory(name)
		if err != nil {
			mistakes = append(mistakes, &scenarioError{err})
			continue
		}
		for _, design := range contents.Designs {
			if first := owner[design]; first != "" {
				mistakes = append(mistakes, fmt.Errorf("%s holds the design %q as %s does: the two would mix; run one of them with --design NAME", name, design, first))
				continue
			}
			owner[design] = name
		}
		files = append(files, metrics.File{Name: name, Contents: contents})
	}
	return files, mistakes
}

func checkHistory(name string) (metrics.Contents, error) {
	if strings.ContainsAny(name, "\n\r") {
		return metrics.Contents{}, fmt.Errorf("found the file name %q, expected one without line breaks", name)
	}
	var path *fs.PathError
	switch info, err := os.Stat(name); {
	case errors.As(err, &path):
		return metrics.Contents{}, fmt.Errorf("%s: %w; expected a history that run --format openmetrics wrote", name, path.Err)
	case err != nil:
		return metrics.Contents{}, err
	case !info.Mode().IsRegular():
		return metrics.Contents{}, fmt.Errorf("%s: found no regular file, expected a history: the import reads it more than once", name)
	}
	f, err := os.Open(name)
	if err != nil {
		return metrics.Contents{}, err
	}
	defer f.Close()
	return metrics.Check(f, name)
}

func (p *program) dashboardCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "dashboard [HISTORY]",
		Short: "Print a dashboard, ready to be imported",
		Long: `Print a dashboard in the classic JSON model. It asks for its data source, and
opens at the time of the history where one is given, at the last 15 minutes
otherwise.`,
		Example: `  stalegauge metrics dashboard > dashboard.json
  stalegauge metrics dashboard orchard.om > dashboard.json`,
	}
	p.command(c, func(_ *cobra.Command, args []string) (func() error, []error) {
		if len(args) > 1 {
			return nil, []error{fmt.Errorf("one history at a time: found %q after %q", args[1], args[0])}
		}
		files, mistakes := checkHistories(args)
		return func() error {
			var contents *metrics.Contents
			if len(files) > 0 {
				contents = &files[0].Contents
			}
			return metrics.Dashboard(p.out, contents)
		}, mistakes
	})
	return c
}

func (p *program) rulesCommand() *cobra.Command {
	tests := false
	c := &cobra.Command{
		Use:   "rules",
		Short: "Print recording and alert rules, or their unit tests",
		Long: `Print recording and alert rules for a metrics server: stale too often, signal
frozen, bridge silent, loss burst, airtime near its limit, channel crowded.
With --tests their unit tests are printed, which expect the rules in rules.yml.`,
		Example: `  stalegauge metrics rules > rules.yml
  stalegauge metrics rules --tests > rules_test.yml
  promtool test rules rules_test.yml`,
		ValidArgsFunction: cobra.NoFileCompletions,
	}
	c.Flags().BoolVar(&tests, "tests", false, "print the unit tests")
	p.command(c, func(_ *cobra.Command, args []string) (func() error, []error) {
		if len(args) > 0 {
			return nil, []error{fmt.Errorf("rules takes no argument, found %q", args[0])}
		}
		return func() error {
			text := metrics.Rules
			if tests {
				text = metrics.RulesTests
			}
			_, err := p.out.Write(text)
			return err
		}, nil
	})
	return c
}

// metricFlags is what the user asked of a run's metrics, as text.
type metricFlags struct {
	address, step, design given
}

// add adds the flags of a run's metrics.
func (f *metricFlags) add(c *cobra.Command) {
	c.Flags().Var(&f.address, "metrics", "serve metrics at this `ADDRESS` while it runs, such as 127.0.0.1:9464; a port alone is on this machine only")
	c.Flags().Var(&f.step, "step", "with --format openmetrics: `TIME` from sample to sample (default 10s)")
	c.Flags().Var(&f.design, "design", "`NAME` of this run in metrics (default: the scenario's)")
	completeFlags(c, map[string]cobra.CompletionFunc{
		"metrics": fixed("9464"), "step": fixed("1s", "10s", "1min"), "design": fixed(),
	})
}

// check returns the step of a history and all that is wrong.
func (f *metricFlags) check(format string, sequential bool) (step time.Duration, mistakes []error) {
	step = 10 * time.Second
	if err := checkDoor(f.address); err != nil {
		mistakes = append(mistakes, err)
	}
	if f.step.given {
		value, err := durationFlag("step", f.step.text)
		if err == nil {
			step, err = time.ParseDuration(value)
		}
		switch {
		case err != nil:
			mistakes = append(mistakes, err)
		case step%time.Millisecond != 0:
			mistakes = append(mistakes, fmt.Errorf("--step: found %q, expected whole milliseconds", f.step.text))
		}
		if format != openMetrics {
			mistakes = append(mistakes, fmt.Errorf("--step: found %q without --format %s", f.step.text, openMetrics))
		}
	}
	if f.design.given && strings.TrimSpace(f.design.text) == "" {
		mistakes = append(mistakes, errors.New("--design: found nothing, expected a name"))
	}
	if format == openMetrics && sequential {
		mistakes = append(mistakes, errors.New("--replications: found auto with --format openmetrics, expected a number: a history is of a fixed one"))
	}
	return step, mistakes
}

// name is what the design is called.
func (f *metricFlags) name(plan *scenarios.Plan) string {
	if f.design.given {
		return f.design.text
	}
	return plan.Name
}

// serve opens the door for a metrics server while a study runs. The function that
// it returns closes it.
func (p *program) serve(c *cobra.Command, f *metricFlags, plan *scenarios.Plan, o *study.Options) (func() error, error) {
	if !f.address.given {
		return func() error { return nil }, nil
	}
	tally := metrics.NewTally(plan, f.name(plan))
	server, err := p.openDoor(c.Context(), f.address.text, tally.Source)
	if err != nil {
		return nil, err
	}
	o.Folded = both(o.Folded, tally.Add)
	report := o.Progress
	o.Progress = func(done, atMost int) {
		tally.Report(done, atMost)
		if report != nil {
			report(done, atMost)
		}
	}
	return server.Close, nil
}

// openDoor serves metrics and says where.
func (p *program) openDoor(ctx context.Context, address string, source metrics.Source) (*metrics.Server, error) {
	server, err := metrics.Serve(ctx, address, source)
	if err != nil {
		return nil, fmt.Errorf("--metrics: %w", err)
	}
	p.say("metrics at http://" + server.Address() + "/metrics")
	if !metrics.IsLoopback(server.Address()) {
		p.say("anybody who reaches this address can read them")
	}
	return server, nil
}

// serveDesigns opens the door while a comparison runs, one tally a design. The
// function that it returns closes it.
func (p *program) serveDesigns(ctx context.Context, address given, designs []study.Design, o *study.CompareOptions) (func() error, error) {
	if !address.given {
		return func() error { return nil }, nil
	}
	var tallies []*metrics.Tally
	for _, d := range designs {
		tallies = append(tallies, metrics.NewTally(d.Plan, d.Name))
	}
	server, err := p.openDoor(ctx, address.text, func() (all []*metrics.Snapshot) {
		for _, t := range tallies {
			all = append(all, t.Source()...)
		}
		return all
	})
	if err != nil {
		return nil, err
	}
	o.FoldedOf = func(design int, run *sim.Replication) { tallies[design].Add(run) }
	report := o.Progress
	o.Progress = func(done, atMost int) {
		for _, t := range tallies {
			t.Report(done, atMost)
		}
		if report != nil {
			report(done, atMost)
		}
	}
	return server.Close, nil
}

// serveSearch opens the door while a search runs. The function that it returns
// closes it.
func (p *program) serveSearch(ctx context.Context, address given, w *sizing) (func() error, error) {
	if !address.given {
		return func() error { return nil }, nil
	}
	searching := metrics.NewSearching(w.problem.Plan.Name + ", search")
	server, err := p.openDoor(ctx, address.text, searching.Source)
	if err != nil {
		return nil, err
	}
	o := &w.options
	o.Observe = func(design string, plan *scenarios.Plan) size.Observer { return metrics.NewTally(plan, design) }
	o.Best = searching.Best
	work, step := o.Work, o.Step
	o.Work = func(frames uint64) {
		used, budget := w.used(frames)
		searching.Work(frames, used/budget)
		work(frames)
	}
	o.Step = func(what string, done, of int) {
		if what == "designs" {
			searching.Pass(done, of)
		}
		step(what, done, of)
	}
	return server.Close, nil
}

// both returns a function that tells both, where either may be nil.
func both(first, second func(*sim.Replication)) func(*sim.Replication) {
	if first == nil {
		return second
	}
	return func(run *sim.Replication) {
		first(run)
		second(run)
	}
}

// openMetrics is the format of a history.
const openMetrics = "openmetrics"

// history prepares to record a study.
func (f *metricFlags) history(plan *scenarios.Plan, step time.Duration, o *study.Options) (*metrics.History, error) {
	o.Replications = plan.Replications
	h, err := metrics.NewHistory(plan, f.name(plan), o.Replications, step)
	if err != nil {
		return nil, fmt.Errorf("--step: %w", err)
	}
	o.Looks, o.See, o.Folded = h.Looks(), h.See, both(o.Folded, h.Add)
	return h, nil
}

// writeHistory streams a history to its file and tells how many samples it holds.
func (p *program) writeHistory(h *metrics.History, out *output, name string) error {
	samples := 0
	err := out.stream(func(w io.Writer) (err error) {
		samples, err = h.Write(w)
		return err
	})
	if err == nil && name != "" {
		p.say(fmt.Sprintf("%d samples written; to import them: stalegauge metrics import %s", samples, name))
	}
	return err
}

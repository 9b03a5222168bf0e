package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"stalegauge/reports"
	"stalegauge/scenarios"
	"stalegauge/sim/study"
)

// compareReplications is how many replications a comparison takes when nobody says:
// two in each of the twenty groups that the intervals rest on.
const compareReplications = 2 * study.MaxGroups

// compareFlags is what the user asked of compare, as text.
type compareFlags struct {
	runFlags
	designs    []string
	designFile string
	against    string
	budget     given
}

// compareLong is the help of compare.
const compareLong = `Simulate several designs of one scenario and tell, for each pair, which one is
fresher, by how much, and how sure that is. All designs meet the same bus
traffic, the same fading and the same phases, so that differences are known far
better than the ages themselves.

A design is a name, a colon, and changes as --set takes them, divided by commas.
A comma inside brackets, braces or quotes belongs to the value:

  "mix:bridge.policy={kind: fill, hold: 20ms},receivers.pillar.queue=4"

NAME alone is the scenario as it stands. --designs reads a file with one design
a line in the same form; a line that begins with a blank goes on with the design
above, and # begins a comment. Beside the designs stands one more, "everything
batched": every entry of the forward list alike, collected until a broadcast is
full or its first record is as old as the default hold, sent once.

The exit status is 0 when the comparison was made, whatever it says, and 2 when
something was wrong or it was stopped; what is known by then is written.`

func (p *program) compareCommand() *cobra.Command {
	var f compareFlags
	c := &cobra.Command{
		Use:   "compare SCENARIO --design NAME:KEY=VALUE,...",
		Short: "Compare designs of a scenario on the same traffic: which is fresher, by how much, and is it sure",
		Long:  compareLong,
		Example: `  stalegauge compare orchard --design each:bridge.policy=each --design now
  stalegauge compare orchard --design now --design \
      "slow:bridge.policy.hold=200ms,bridge.repeat.copies=2" --replications auto
  stalegauge compare my-tractor.yaml --designs designs.txt --against now \
      --budget 60s --format json --out answer.json`,
		ValidArgsFunction: completeScenario,
	}
	flags := c.Flags()
	flags.SortFlags = false
	flags.StringArrayVar(&f.designs, "design", nil, "a design as `NAME:KEY=VALUE,...`; may be given again")
	flags.StringVar(&f.designFile, "designs", "", "read designs from this `FILE`, one a line")
	flags.StringVar(&f.against, "against", "", "compare with the design of this `NAME` only, instead of every two")
	flags.StringArrayVar(&f.sets, "set", nil, "change a `KEY=VALUE` of the scenario for all designs; may be given again")
	flags.Var(&f.duration, "duration", "`TIME` of the steady-state window of one replication, such as 60s")
	flags.Var(&f.seed, "seed", "whole `NUMBER` that starts all random streams")
	flags.Var(&f.replications, "replications", fmt.Sprintf("`NUMBER` of repetitions of each design, or auto: until every pair of designs has shown which is fresher, 320 at most (default %d)", compareReplications))
	flags.Var(&f.budget, "budget", "end after this `WORK`, a time such as 60s or bus frames such as 5e7frames, instead")
	flags.Var(&f.metrics.address, "metrics", "serve metrics of all designs at this `ADDRESS` while it runs, such as 127.0.0.1:9464; a port alone is on this machine only")
	flags.StringVar(&f.format, "format", "text", "`FORM` of the result: text, json or csv")
	flags.StringVar(&f.out, "out", "", "write the result to this `FILE` instead of standard output")
	fixed := func(words ...string) cobra.CompletionFunc {
		return cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp)
	}
	for name, complete := range map[string]cobra.CompletionFunc{
		"design": fixed(), "against": fixed(), "set": completeKey, "format": fixed(formats...), "duration": fixed("60s", "10min", "1h"),
		"seed": fixed(), "replications": fixed("auto", "20", "40", "100"), "budget": fixed("60s", "5e7frames"), "metrics": fixed("9464"),
	} {
		if err := c.RegisterFlagCompletionFunc(name, complete); err != nil {
			panic("stalegauge: " + err.Error())
		}
	}
	p.command(c, func(c *cobra.Command, args []string) (func() error, []error) {
		work, mistakes := f.prepare(args)
		if !slices.Contains(formats, f.format) {
			mistakes = append(mistakes, wordFlag("format", f.format, formats))
		}
		if err := checkDoor(f.metrics.address); err != nil {
			mistakes = append(mistakes, err)
		}
		if out, err := openOutput(p.out, f.out); err != nil {
			mistakes = append(mistakes, err)
		} else {
			out.discard()
		}
		return func() error { return p.compare(c.Context(), work, &f) }, mistakes
	})
	return c
}

// comparing is a comparison that is ready to run.
type comparing struct {
	designs []study.Design
	options study.CompareOptions
	span    time.Duration // budget; 0 = none
	frames  uint64        // budget; 0 = none
}

// prepare reads all that the flags say, and finds all that is wrong with it.
func (f *compareFlags) prepare(args []string) (*comparing, []error) {
	w := &comparing{}
	sets, mistakes := f.changes()
	w.options.Version, w.options.Against = build(), f.against
	w.options.Replications = compareReplications
	if f.budget.given {
		w.options.Replications = maxReplications
		var err error
		if w.span, w.frames, err = budgetFlag(f.budget.text); err != nil {
			mistakes = append(mistakes, err)
		}
	}
	switch n, err := strconv.Atoi(f.replications.text); {
	case f.replications.text == "auto":
		w.options.Sequential = true
	case f.replications.given && (err != nil || n < 2 || n > maxReplications):
		mistakes = append(mistakes, fmt.Errorf("--replications: found %q, expected a whole number from 2 to %d, or auto", f.replications.text, maxReplications))
	case f.replications.given:
		w.options.Replications = n
	}
	designs, more := f.readDesigns()
	mistakes = append(mistakes, more...)
	name := ""
	switch len(args) {
	case 0:
		mistakes = append(mistakes, errors.New("compare takes a scenario, such as "+defaultScenario))
	case 1:
		name = args[0]
	default:
		mistakes = append(mistakes, fmt.Errorf("one scenario at a time: found %q after %q", args[1], args[0]))
	}
	if name == "" {
		return nil, mistakes
	}
	base, plans, err := scenarios.OpenDesigns(name, sets, designs)
	if err != nil {
		return nil, append(mistakes, &scenarioError{err})
	}
	for i, d := range designs {
		var changes []string
		for _, s := range d.Sets {
			changes = append(changes, s.Path+"="+strings.TrimSpace(s.Text))
		}
		w.designs = append(w.designs, study.Design{Name: d.Name, Plan: plans[i], Changes: strings.Join(changes, ", ")})
	}
	w.designs = append(w.designs, study.Design{
		Name: scenarios.BatchedName, Plan: scenarios.Batched(base), Yardstick: true,
		Changes: "every entry of the forward list alike, collected until a broadcast is full or its first record has waited " + scenarios.BatchedHold() + ", sent once",
	})
	return w, append(mistakes, w.check(designs)...)
}

// readDesigns reads the designs of file and flags.
func (f *compareFlags) readDesigns() (designs []scenarios.Design, mistakes []error) {
	take := func(more []scenarios.Design, err error) {
		if err != nil {
			mistakes = append(mistakes, &scenarioError{err})
		}
		designs = append(designs, more...)
	}
	if f.designFile != "" {
		take(scenarios.ReadDesigns(f.designFile))
	}
	take(scenarios.ParseDesigns(f.designs))
	if len(designs) == 0 && len(mistakes) == 0 {
		mistakes = append(mistakes, errors.New("nothing to compare: give designs with --design NAME:KEY=VALUE,... or --designs FILE"))
	}
	names := []string{scenarios.BatchedName}
	for _, d := range designs {
		names = append(names, d.Name)
	}
	if f.against != "" && !slices.Contains(names, f.against) {
		mistakes = append(mistakes, wordFlag("against", f.against, names))
	}
	return designs, mistakes
}

// check finds designs that cannot be compared, and says which of their changes
// makes them so.
func (w *comparing) check(designs []scenarios.Design) (mistakes []error) {
	// The last one is the scenario itself: what another differs in, it changes.
	last := len(w.designs) - 1
	for i, d := range designs {
		err := study.Comparable([]study.Design{w.designs[last], w.designs[i]})
		for _, one := range each(err) {
			var not *study.Incomparable
			if !errors.As(one, &not) {
				mistakes = append(mistakes, one)
				continue
			}
			text := fmt.Sprintf("design %s cannot be compared with the others: %s", d.Name, not.Why)
			var keys []string
			for _, s := range d.Sets {
				if s.Path == not.Key || strings.HasPrefix(s.Path, not.Key+".") {
					keys = append(keys, s.Path)
				}
			}
			if len(keys) > 0 {
				text += "; --set changes " + strings.Join(keys, ", ") + " for all designs"
			}
			mistakes = append(mistakes, errors.New(text))
		}
	}
	return mistakes
}

// each takes joined errors apart.
func each(err error) []error {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		return joined.Unwrap()
	}
	if err != nil {
		return []error{err}
	}
	return nil
}

// budgetFlag reads a time or a number of bus frames.
func budgetFlag(text string) (time.Duration, uint64, error) {
	wrong := fmt.Errorf("--budget: found %q, expected a time such as 60s, or bus frames of all designs together such as 5e7frames", text)
	if digits, ok := strings.CutSuffix(strings.TrimSpace(text), "frames"); ok {
		digits = strings.TrimSpace(digits)
		if n, err := strconv.ParseUint(digits, 10, 63); err == nil && n > 0 {
			return 0, n, nil
		}
		n, err := strconv.ParseFloat(digits, 64)
		if err != nil || !(n >= 1 && n <= 1e18) {
			return 0, 0, wrong
		}
		return 0, uint64(n), nil
	}
	exact, err := durationFlag("budget", text)
	if err != nil {
		return 0, 0, wrong
	}
	span, err := time.ParseDuration(exact)
	return span, 0, err
}

// compare runs the comparison and writes what it tells.
func (p *program) compare(ctx context.Context, w *comparing, f *compareFlags) error {
	out, err := openOutput(p.out, f.out)
	if err != nil {
		return err
	}
	defer out.discard()
	bar := w.watch(p.errw)
	shut, err := p.serveDesigns(ctx, f.metrics.address, w.designs, &w.options)
	if err != nil {
		return err
	}
	c, err := study.Compare(ctx, w.designs, w.options)
	bar.close()
	err = errors.Join(err, shut())
	for _, d := range w.designs[:len(w.designs)-1] {
		err = errors.Join(err, d.Plan.Close())
	}
	stopped := ctx.Err() != nil && errors.Is(err, ctx.Err()) && c != nil
	if err != nil && !stopped {
		return err
	}
	var b bytes.Buffer
	switch f.format {
	case "json":
		err = reports.CompareJSON(&b, c)
	case "csv":
		err = reports.CompareCSV(&b, c)
	default:
		err = reports.CompareText(&b, c, reports.TextOptions{Color: f.out == "" && wantsColor(p.out)})
	}
	if err != nil {
		return err
	}
	if stopped {
		p.status = statusWrong
		p.say(fmt.Sprintf("stopped before the end; the result tells of the %d replications that were done", c.Replications))
	}
	return out.write(b.Bytes())
}

// watch shows the progress on errw, and ends the comparison when its budget is
// used up. What was found so far has no part in that.
func (w *comparing) watch(errw io.Writer) *progress {
	if w.span == 0 && w.frames == 0 {
		bar := newProgress(errw, "replications")
		w.options.Progress = bar.report
		return bar
	}
	bar := newProgress(errw, "% of the budget")
	begin := time.Now()
	w.options.Ends = func(_ int, frames uint64) bool {
		used := 0.0
		if w.span > 0 {
			used = float64(time.Since(begin)) / float64(w.span)
		} else {
			used = float64(frames) / float64(w.frames)
		}
		bar.report(int(100*min(used, 1)), 100)
		return used >= 1
	}
	return bar
}

package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"stalegauge/bus"
	"stalegauge/bus/signal"
	"stalegauge/reports"
	"stalegauge/scenarios"
	"stalegauge/sim"
)

// traceFlags is what the user asked of a trace and an explanation, as text.
type traceFlags struct {
	explain                       given
	file                          given
	form, replication, begin, end given
	signals                       []string
}

// traceWish is the same, read.
type traceWish struct {
	form        reports.TraceForm
	replication int
	from, to    time.Duration
	chosen      []scenarios.Shown // nil = all records
}

var traceForms = []string{string(reports.TraceCSV), string(reports.TraceLines)}

// traceEndings are the endings of file names that say the form.
var traceEndings = map[string]reports.TraceForm{
	".csv": reports.TraceCSV, ".jsonl": reports.TraceLines, ".ndjson": reports.TraceLines,
}

// add adds the flags to a command.
func (f *traceFlags) add(c *cobra.Command) {
	flags := c.Flags()
	flags.Var(&f.explain, "explain", "instead of the report: how the worst of this `SIGNAL@DISPLAY` came about, step by step, in words")
	flags.Var(&f.file, "trace", "also write the life of every record of one replication to this `FILE`: .csv, or .jsonl for JSON lines")
	flags.Var(&f.form, "trace-format", "`FORM` of the trace whatever its file is called: csv or jsonl")
	flags.Var(&f.replication, "replication", "`NUMBER` of the replication that is traced, from 0 on (default 0)")
	flags.StringArrayVar(&f.signals, "signal", nil, "trace only the records with this `SIGNAL`; may be given again")
	flags.Var(&f.begin, "from", "trace from this `TIME` of the run on, such as 84.2s")
	flags.Var(&f.end, "to", "trace up to this `TIME`, which is left out")
	none := cobra.FixedCompletions(nil, cobra.ShellCompDirectiveNoFileComp)
	completeFlags(c, map[string]cobra.CompletionFunc{
		"explain": none, "replication": none, "signal": none, "from": none, "to": none,
		"trace-format": cobra.FixedCompletions(traceForms, cobra.ShellCompDirectiveNoFileComp),
	})
}

// read returns what is wished, nil when there is no trace, or all that is wrong.
// plan is nil where it could not be read.
func (f *traceFlags) read(plan *scenarios.Plan, out string) (*traceWish, []error) {
	var mistakes []error
	note := func(err error) {
		if err != nil {
			mistakes = append(mistakes, err)
		}
	}
	if !f.file.given {
		for name, is := range map[string]bool{
			"from": f.begin.given, "replication": f.replication.given, "signal": len(f.signals) > 0, "to": f.end.given, "trace-format": f.form.given,
		} {
			if is {
				note(fmt.Errorf("--%s: has no effect without --trace FILE", name))
			}
		}
		slices.SortFunc(mistakes, func(a, b error) int { return strings.Compare(a.Error(), b.Error()) })
		return nil, mistakes
	}
	w := &traceWish{to: time.Duration(1<<63 - 1)}
	note(f.readForm(w))
	if f.file.text != "" {
		note(f.tryFile(out))
	}
	if f.replication.given {
		text, err := wholeFlag("replication", f.replication.text, 0, maxReplications-1)
		note(err)
		_, _ = fmt.Sscan(text, &w.replication) // it is a whole number, or a mistake was noted
	}
	bad := len(mistakes)
	note(instantFlag("from", &f.begin, &w.from))
	note(instantFlag("to", &f.end, &w.to))
	if len(mistakes) == bad && w.from >= w.to {
		note(fmt.Errorf("--to: found %q, expected an instant after --from %s", f.end.text, f.begin.text))
	}
	if plan != nil {
		for _, name := range f.signals {
			chosen := shownAs(plan, name)
			if len(chosen) == 0 {
				note(unknownSignal("--signal", name, plan))
			}
			w.chosen = append(w.chosen, chosen...)
		}
	}
	return w, mistakes
}

// readForm finds the form of the trace.
func (f *traceFlags) readForm(w *traceWish) error {
	ending := strings.ToLower(filepath.Ext(f.file.text))
	form, known := traceEndings[ending]
	w.form = form
	switch {
	case f.file.text == "":
		return errors.New("--trace: found no name of a file")
	case f.form.given:
		w.form = reports.TraceForm(f.form.text)
		return wordFlag("trace-format", f.form.text, traceForms)
	case !known:
		return fmt.Errorf("--trace: found %q, expected a name that ends in .csv, .jsonl or .ndjson, or --trace-format", f.file.text)
	}
	return nil
}

// tryFile reports early what would keep the trace from being written.
func (f *traceFlags) tryFile(out string) error {
	if out != "" && filepath.Clean(out) == filepath.Clean(f.file.text) {
		return fmt.Errorf("--trace: found %q, which --out writes to", f.file.text)
	}
	o, err := openFlagged(nil, "--trace", f.file.text)
	if err == nil {
		o.discard()
	}
	return err
}

// instantFlag reads an instant of the run.
func instantFlag(name string, from *given, to *time.Duration) error {
	if !from.given {
		return nil
	}
	d, err := time.ParseDuration(strings.NewReplacer(" ", "", "min", "m").Replace(from.text))
	if err != nil || d < 0 {
		return fmt.Errorf("--%s: found %q, expected a time with its unit from 0s on, such as 500ms, 84.2s or 2h", name, from.text)
	}
	*to = d
	return nil
}

// shownAs returns the signals of a name on all displays.
func shownAs(plan *scenarios.Plan, name string) (all []scenarios.Shown) {
	for i := range plan.Receivers {
		for _, s := range plan.Receivers[i].Shows {
			if s.Signal.Name == name {
				all = append(all, s)
			}
		}
	}
	return all
}

// unknownSignal says that no display shows a signal.
func unknownSignal(flag, name string, plan *scenarios.Plan) error {
	var names []string
	for i := range plan.Receivers {
		for _, s := range plan.Receivers[i].Shows {
			names = append(names, s.Signal.Name)
		}
	}
	return fmt.Errorf("%s: no display shows %q%s", flag, name, meant(name, names))
}

// wanted returns the choice of records, nil for all.
func (w *traceWish) wanted() func(id bus.ID, page int) bool {
	if w.chosen == nil {
		return nil
	}
	return func(id bus.ID, page int) bool {
		return slices.ContainsFunc(w.chosen, func(s scenarios.Shown) bool {
			return s.ID == id && (s.Signal.Page == signal.AnyPage || s.Signal.Page == page)
		})
	}
}

// errTold ends a trace behind its last instant.
var errTold = errors.New("the trace is whole")

// trace writes the trace of a replication to a file that appears whole or not at
// all.
func (p *program) trace(ctx context.Context, plan *scenarios.Plan, w *traceWish, name string) error {
	out, err := openFlagged(nil, "--trace", name)
	if err != nil {
		return err
	}
	defer out.discard()
	if err := p.writeTrace(ctx, plan, w, out); err != nil {
		return err
	}
	return out.finish()
}

// writeTrace repeats a replication and writes its trace. The file is not put in
// place yet.
func (p *program) writeTrace(ctx context.Context, plan *scenarios.Plan, w *traceWish, out *output) error {
	_, end := plan.Window()
	bar := newProgress(p.errw, "seconds traced")
	defer bar.close()
	buffer := bufio.NewWriterSize(out.file, 1<<16)
	trace := reports.NewTrace(buffer, w.form, w.chosen)
	second := time.Duration(0)
	_, err := sim.Trace(plan, w.replication, w.wanted(), func(e *sim.Event) error {
		if now := e.At / time.Second; now > second {
			second = now
			bar.report(int(now), max(int(end/time.Second), int(now)))
		}
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case e.At < w.from:
			return nil
		case e.At >= w.to:
			return errTold
		}
		return out.fail(trace.Write(e))
	})
	if err != nil && !errors.Is(err, errTold) {
		return err
	}
	return out.fail(errors.Join(trace.Flush(), buffer.Flush()))
}

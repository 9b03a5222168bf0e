package main

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"stalegauge/bus"
	"stalegauge/bus/mask"
	"stalegauge/reports"
	"stalegauge/scenarios"
	"stalegauge/sim"
)

var maskFormats = []string{"text", "json"}

// maskFlags is what the user asked of masks.
type maskFlags struct {
	sets        []string
	ids         given
	controller  given
	list        bool
	format, out string
}

func (p *program) masksCommand() *cobra.Command {
	var f maskFlags
	c := &cobra.Command{
		Use:   "masks [SCENARIO]",
		Short: "Acceptance masks for a bus controller, with the least unwanted traffic",
		Long: `Work out what to program into the acceptance filters of a bus controller, so that
all wanted identifiers pass and the least of the other traffic reaches the
processor. Wanted is the scenario's forward list, or what --ids says; the rates
of the other traffic are those of the scenario's bus or capture. With --ids alone
no rates are known, and every other 11-bit identifier counts the same. Without
either the scenario "` + defaultScenario + `" is taken.

The answer holds the register words, the code that lets each wanted identifier
pass, what leaks through at which rate, how sure it is that no setting does
better, and how long a stalled processor may pause before a frame is lost.
--list tells which shapes of filters there are and what a mask bit means in each.
The exit status is 0 when there are masks, 2 when something was wrong.`,
		Example: `  stalegauge masks orchard --controller two-masks
  stalegauge masks --ids 120,1A0,18FEF100 --controller one-code
  stalegauge masks my-tractor.yaml --set bus.capture=drive.log --controller banks-14
  stalegauge masks --list`,
		ValidArgsFunction: completeScenario,
	}
	flags := c.Flags()
	flags.SortFlags = false
	flags.Var(&f.controller, "controller", "`SHAPE` of the filters; the scenario's own when it has one")
	flags.Var(&f.ids, "ids", "wanted identifiers instead of the forward list: `LIST` such as 120,18FEF100,200-20F")
	flags.BoolVar(&f.list, "list", false, "list the shapes")
	flags.StringArrayVar(&f.sets, "set", nil, "change a `KEY=VALUE` of the scenario; may be given again")
	flags.StringVar(&f.format, "format", "text", "`FORM` of the result: text or json")
	flags.StringVar(&f.out, "out", "", "write the result to this `FILE` instead of standard output")
	fixed := func(words ...string) cobra.CompletionFunc {
		return cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp)
	}
	var shapes []string
	for _, s := range mask.Shapes() {
		shapes = append(shapes, strings.NewReplacer("-N-M", "-128-64", "-N", "-14").Replace(s.Name))
	}
	for name, complete := range map[string]cobra.CompletionFunc{
		"set": completeKey, "format": fixed(maskFormats...), "ids": fixed(), "controller": fixed(shapes...),
	} {
		if err := c.RegisterFlagCompletionFunc(name, complete); err != nil {
			panic("stalegauge: " + err.Error())
		}
	}
	p.command(c, func(_ *cobra.Command, args []string) (func() error, []error) { return p.prepareMasks(args, &f) })
	return c
}

// maskWish is a checked wish for masks.
type maskWish struct {
	shape  mask.Shape
	wanted []bus.ID
	plan   *scenarios.Plan // nil with --ids alone
}

// prepareMasks checks the command line.
func (p *program) prepareMasks(args []string, f *maskFlags) (func() error, []error) {
	var mistakes []error
	if !slices.Contains(maskFormats, f.format) {
		mistakes = append(mistakes, wordFlag("format", f.format, maskFormats))
	}
	if out, err := openOutput(p.out, f.out); err != nil {
		mistakes = append(mistakes, err)
	} else {
		out.discard()
	}
	if f.list {
		if len(args) > 0 || f.ids.given || f.controller.given || len(f.sets) > 0 || f.format != "text" {
			mistakes = append(mistakes, errors.New("--list lists the shapes in text, and takes no scenario and no other flag but --out"))
		}
		return func() error {
			return p.writeMasks(f, func(b *bytes.Buffer, o reports.TextOptions) error { return reports.MaskShapes(b, o) })
		}, mistakes
	}
	var w maskWish
	if len(args) > 0 || !f.ids.given || len(f.sets) > 0 {
		plan, wrong := readPlan(args, &runFlags{sets: f.sets})
		p.keep(plan)
		w.plan = plan
		mistakes = append(mistakes, wrong...)
	}
	if f.ids.given {
		ids, err := mask.ParseIDs(f.ids.text)
		if err != nil {
			for _, line := range strings.Split(err.Error(), "\n") {
				mistakes = append(mistakes, errors.New("--ids: "+line))
			}
		}
		w.wanted = ids
	} else if w.plan != nil {
		w.wanted = scenarios.ForwardIDs(w.plan)
	}
	mistakes = append(mistakes, w.readShape(f)...)
	return func() error { return p.masks(&w, f) }, mistakes
}

// readShape finds the shape: that of --controller, else the scenario's.
func (w *maskWish) readShape(f *maskFlags) []error {
	name, label := f.controller.text, "--controller"
	if !f.controller.given {
		if w.plan != nil {
			name, label = w.plan.Shape, "bridge.controller.shape"
		}
		if name == "" {
			if w.plan == nil && !f.ids.given {
				return nil // the scenario could not be read, which has been said
			}
			return []error{errors.New("which filters? give --controller, such as two-masks; --list lists the shapes")}
		}
	}
	shape, err := mask.ParseShape(name)
	if err != nil {
		return []error{fmt.Errorf("%s: %w", label, err)}
	}
	w.shape = shape
	return nil
}

// masks works out the answer and writes it.
func (p *program) masks(w *maskWish, f *maskFlags) (err error) {
	m := &reports.Masks{Version: build(), Names: map[bus.ID]string{}}
	var flows []mask.Flow
	if w.plan != nil {
		flows = w.plan.Bus.Flows()
		m.Scenario, m.Warnings, m.Forward = w.plan.Name, w.plan.Warnings, scenarios.ForwardCosts(w.plan)
		for i := range w.plan.Bus.Messages {
			m.Names[w.plan.Bus.Messages[i].ID] = w.plan.Bus.Messages[i].Name
		}
	}
	if m.Answer, err = mask.Solve(w.shape, w.wanted, flows, 0); err != nil {
		var mistakes []error
		for _, line := range strings.Split(err.Error(), "\n") {
			mistakes = append(mistakes, errors.New(line))
		}
		return &usageError{"stalegauge masks", mistakes}
	}
	if w.plan != nil {
		bare, masked := w.plan.Bridge.Controller, w.plan.Bridge.Controller
		bare.Masks, masked.Masks = nil, m.Answer.Program
		runs, span, err := sim.Overruns(w.plan, bare, masked)
		if err != nil {
			return err
		}
		m.Before, m.After, m.Span = runs[0], runs[1], span
		switch {
		case bare.Frames > 0:
			m.Buffer = fmt.Sprintf("room for %d frames", bare.Frames)
		case bare.Bytes > 0:
			m.Buffer = fmt.Sprintf("room for %d bytes", bare.Bytes)
		default:
			m.Buffer = "room without end"
		}
	}
	return p.writeMasks(f, func(b *bytes.Buffer, o reports.TextOptions) error {
		if f.format == "json" {
			return reports.MasksJSON(b, m)
		}
		return reports.MasksText(b, m, o)
	})
}

// writeMasks writes a result to where it goes.
func (p *program) writeMasks(f *maskFlags, write func(*bytes.Buffer, reports.TextOptions) error) error {
	out, err := openOutput(p.out, f.out)
	if err != nil {
		return err
	}
	defer out.discard()
	var b bytes.Buffer
	if err := write(&b, reports.TextOptions{Color: f.out == "" && wantsColor(p.out)}); err != nil {
		return err
	}
	return out.write(b.Bytes())
}

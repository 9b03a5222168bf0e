package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/agnivade/levenshtein"

	"stalegauge/reports"
	"stalegauge/scenarios"
	"stalegauge/sim/explain"
	"stalegauge/sim/study"
)

// closer is what a user wants to see of a run besides its figures.
type closer struct {
	trace  *traceWish      // nil = no trace
	search *explain.Search // nil = no explanation
	again  []string        // words of a command line that runs the same
}

// closer reads --explain and the flags of a trace. plan is nil where it could not be
// read.
func (f *runFlags) closer(plan *scenarios.Plan, args []string) (c closer, mistakes []error) {
	c.again = f.command(args)
	c.trace, mistakes = f.trace.read(plan, f.out)
	if !f.trace.explain.given {
		return c, mistakes
	}
	if f.format != "text" && slices.Contains(formats, f.format) {
		mistakes = append(mistakes, fmt.Errorf("--format: found %q beside --explain, which tells in words: expected text", f.format))
	}
	if plan != nil {
		search, more := explainFlag(f.trace.explain.text, plan)
		c.search, mistakes = search, append(mistakes, more...)
	}
	return c, mistakes
}

// explain writes the explanation.
func (c *closer) explain(ctx context.Context, w io.Writer, r *study.Result, o reports.TextOptions) error {
	e, err := c.search.Explain(ctx)
	if err != nil {
		return err
	}
	return reports.Explain(w, r, e, c.again, o)
}

// command returns the words of a command line that runs the same.
func (f *runFlags) command(args []string) []string {
	words := append([]string{"stalegauge", "run"}, args...)
	for _, s := range f.sets {
		words = append(words, "--set", s)
	}
	for _, flag := range []struct {
		name string
		given
	}{{"duration", f.duration}, {"seed", f.seed}, {"replications", f.replications}, {"precision", f.precision}} {
		if flag.given.given {
			words = append(words, "--"+flag.name, flag.text)
		}
	}
	return words
}

// explainFlag finds what --explain names: a signal at a display, or a signal that
// one display alone shows.
func explainFlag(text string, plan *scenarios.Plan) (*explain.Search, []error) {
	var displays, names []string
	var alone *explain.Search
	for i := range plan.Receivers {
		r := &plan.Receivers[i]
		displays = append(displays, r.Name)
		for k, s := range r.Shows {
			switch text {
			case s.Signal.Name + "@" + r.Name:
				return explain.NewSearch(plan, i, k), nil
			case s.Signal.Name:
				names = append(names, text+"@"+r.Name)
				alone = explain.NewSearch(plan, i, k)
			}
		}
	}
	if len(names) == 1 {
		return alone, nil
	}
	if len(names) > 1 {
		return nil, []error{fmt.Errorf("--explain: found %q, which several displays show, expected %s", text, oneOf(names))}
	}
	at := strings.LastIndexByte(text, '@')
	if at < 0 {
		return nil, []error{fmt.Errorf("%w; expected SIGNAL@DISPLAY", unknownSignal("--explain", text, plan))}
	}
	name, display := text[:at], text[at+1:]
	for i := range plan.Receivers {
		if r := &plan.Receivers[i]; r.Name == display {
			var shows []string
			for _, s := range r.Shows {
				shows = append(shows, s.Signal.Name)
			}
			return nil, []error{fmt.Errorf("--explain: the display %s does not show %q%s", display, name, meant(name, shows))}
		}
	}
	mistakes := []error{fmt.Errorf("--explain: found no display %q%s", display, meant(display, displays))}
	if len(shownAs(plan, name)) == 0 {
		mistakes = append(mistakes, unknownSignal("--explain", name, plan))
	}
	return nil, mistakes
}

// meant returns ": did you mean that?" for the nearest of some words, or ": there
// are" and all of them where none is near and they are few.
func meant(found string, words []string) string {
	best, distance := "", math.MaxInt
	for _, w := range words {
		d := levenshtein.ComputeDistance(strings.ToLower(found), strings.ToLower(w))
		if d < distance && d <= max(2, len(w)/3) {
			best, distance = w, d
		}
	}
	switch {
	case best != "":
		return ": did you mean " + best + "?"
	case len(words) > 0 && len(words) <= 12:
		return "; there are " + strings.Join(words, ", ")
	}
	return ""
}

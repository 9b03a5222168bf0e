package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"stalegauge/scenarios"
)

// prepareWrite checks the use of the command with --write.
func (p *program) prepareWrite(c *cobra.Command, args []string, f *inspectFlags) (func() error, []error) {
	var mistakes []error
	switch {
	case len(args) == 0:
		mistakes = append(mistakes, errors.New("which capture or scenario?"))
	case len(args) > 1:
		mistakes = append(mistakes, fmt.Errorf("one capture or scenario at a time: found %q after %q", args[1], args[0]))
	}
	c.Flags().Visit(func(g *pflag.Flag) {
		if !slices.Contains([]string{"write", "for", "set", "help"}, g.Name) {
			mistakes = append(mistakes, fmt.Errorf("--%s has no effect beside --write", g.Name))
		}
	})
	var length time.Duration
	if f.span.given {
		text, err := durationFlag("for", f.span.text)
		if err == nil {
			length, err = time.ParseDuration(text)
		}
		if err != nil {
			mistakes = append(mistakes, err)
		}
	}
	if f.write.text == "" {
		mistakes = append(mistakes, errors.New("say where to write: --write FILE.pcapng"))
	} else if out, err := openFlagged(p.out, "--write", f.write.text); err != nil {
		mistakes = append(mistakes, err)
	} else {
		out.discard()
	}
	return func() error { return p.writeTraffic(c.Context(), args[0], f.sets, length, f.write.text) }, mistakes
}

// writeTraffic writes the traffic of a capture or scenario to a file.
func (p *program) writeTraffic(ctx context.Context, name string, sets []string, length time.Duration, file string) error {
	out, err := openFlagged(p.out, "--write", file)
	if err != nil {
		return err
	}
	defer out.discard()
	to := bufio.NewWriterSize(out.file, 1<<20)
	done, err := scenarios.Record(ctx, name, sets, length, to)
	if err == nil {
		err = to.Flush()
	}
	if err == nil {
		err = out.finish()
	}
	if err != nil {
		if ctx.Err() != nil {
			return err
		}
		return &usageError{"stalegauge inspect", []error{&scenarioError{err}}}
	}
	for _, n := range done.Notes {
		p.say(n)
	}
	if done.Remotes > 0 {
		p.say(fmt.Sprintf("remote frames without the length that they ask for, for which pcapng has no place: %d", done.Remotes))
	}
	p.say(fmt.Sprintf("%d frames in %v written to %s", done.Frames, done.Length.Round(time.Millisecond), file))
	return nil
}

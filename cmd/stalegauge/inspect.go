package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"stalegauge/scenarios"
)

// inspectFlags is what the user asked of inspect, as text.
type inspectFlags struct {
	sets   []string
	write  given
	length given
}

func (p *program) inspectCommand() *cobra.Command {
	var f inspectFlags
	c := &cobra.Command{
		Use:   "inspect CAPTURE|SCENARIO",
		Short: "Write the traffic of a capture or a scenario as pcapng",
		Long: `Write the traffic of a capture, or of a scenario's simulated bus, as a pcapng
file of link type 227. A capture is a SocketCAN text log, CSV, pcap or pcapng,
each also compressed (gzip); - is standard input. A scenario is the name of a
built-in one or a file that ends in .yaml. The keys below bus.capture say how a
capture is read.

Stamps of a capture stay what they are; a simulated bus begins at 0. The file
appears whole or not at all.`,
		Example: `  stalegauge inspect orchard --write orchard.pcapng --for 60s
  stalegauge inspect drive.log.gz --write drive.pcapng
  stalegauge inspect table.csv --write drive.pcapng \
      --set bus.capture.columns='{t: when, id: who, data: what}'`,
		ValidArgsFunction: completeScenario,
	}
	flags := c.Flags()
	flags.SortFlags = false
	flags.Var(&f.write, "write", "write the traffic to this `FILE`")
	flags.Var(&f.length, "for", "`TIME` from the first instant on that is written, such as 60s; of a scenario 1 min, of a capture all")
	flags.StringArrayVar(&f.sets, "set", nil, "change a `KEY=VALUE` of the scenario; may be given again")
	if err := c.RegisterFlagCompletionFunc("set", completeKey); err != nil {
		panic("stalegauge: " + err.Error())
	}
	p.command(c, func(c *cobra.Command, args []string) (func() error, []error) {
		var mistakes []error
		switch {
		case len(args) == 0:
			mistakes = append(mistakes, errors.New("which capture or scenario?"))
		case len(args) > 1:
			mistakes = append(mistakes, fmt.Errorf("one capture or scenario at a time: found %q after %q", args[1], args[0]))
		}
		length, err := f.duration()
		if err != nil {
			mistakes = append(mistakes, err)
		}
		if f.write.text == "" {
			mistakes = append(mistakes, errors.New("say where to write: --write FILE.pcapng"))
		} else if out, err := openFlagged(p.out, "--write", f.write.text); err != nil {
			mistakes = append(mistakes, err)
		} else {
			out.discard()
		}
		return func() error { return p.writeTraffic(c.Context(), args[0], f.sets, length, f.write.text) }, mistakes
	})
	return c
}

// duration reads --for; 0 where it was not given.
func (f *inspectFlags) duration() (time.Duration, error) {
	if !f.length.given {
		return 0, nil
	}
	text, err := durationFlag("for", f.length.text)
	if err != nil {
		return 0, err
	}
	return time.ParseDuration(text)
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

package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"
)

// inspectFlags is what the user asked of inspect, as text.
type inspectFlags struct {
	database, draft, channel string
	bitRate, dataBitRate     given
	span                     given
	fit                      bool
	write                    given
	sets                     []string
	format, out              string
}

func (p *program) inspectCommand() *cobra.Command {
	var f inspectFlags
	c := &cobra.Command{
		Use:   "inspect [CAPTURE|SCENARIO]",
		Short: "Tell what is on a bus, and draft a scenario from it",
		Long: `Read a capture, or listen to the bus of a scenario, and tell what is on it: what
each identifier costs of the bus and of the air, what it carries and how its
signals move, how regularly it comes; how long messages may have to wait; and
what is odd. With a signal database the bits have names. A database alone is
listed.

SCENARIO is the name of a built-in scenario or a file that ends in .yaml or
.yml; every other file is a capture, and - is one on standard input.

With --draft a scenario that runs as it is is written to a file: the capture as
the traffic, or with --fit a message set made to resemble it.

With --write the traffic itself is written instead, as pcapng of link type 227.
Stamps of a capture stay what they are; a simulated bus begins at 0. A capture is
a SocketCAN text log, CSV, pcap or pcapng, each also compressed (gzip); the keys
below bus.capture say how it is read. Files appear whole or not at all.`,
		Example: `  stalegauge inspect drive.log
  stalegauge inspect drive.log --database tractor.dbc
  stalegauge inspect drive.log --database tractor.dbc --draft mine.yaml
  stalegauge inspect orchard --format json
  stalegauge inspect --database tractor.dbc --bitrate 250kbit/s
  stalegauge inspect orchard --write orchard.pcapng --for 60s
  stalegauge inspect table.csv --write drive.pcapng \
      --set bus.capture.columns='{t: when, id: who, data: what}'`,
		ValidArgsFunction: completeScenario,
	}
	p.inspectOptions(c, &f)
	p.command(c, func(c *cobra.Command, args []string) (func() error, []error) {
		return p.prepareInspect(c, args, &f)
	})
	return c
}

func (p *program) inspectOptions(c *cobra.Command, f *inspectFlags) {
	flags := c.Flags()
	flags.SortFlags = false
	flags.StringVar(&f.database, "database", "", "signal database `FILE` that names messages and signals")
	flags.Var(&f.bitRate, "bitrate", "bit `RATE` of the bus, such as 500kbit/s; without it it is told from the distances of frames")
	flags.Var(&f.dataBitRate, "data-bitrate", "bit `RATE` of the data phase of FD frames, with --bitrate")
	flags.StringVar(&f.channel, "channel", "", "only frames of the channel of this `NAME`")
	flags.Var(&f.span, "for", "`TIME` to listen or to write, such as 60s; without it to the end of a capture, a message set as long as the scenario runs, and a minute of it with --write")
	flags.StringVar(&f.draft, "draft", "", "write a scenario to this `FILE`")
	flags.BoolVar(&f.fit, "fit", false, "draft with a message set that resembles the capture, not with the capture itself")
	flags.StringVar(&f.format, "format", "text", "`FORM` of the result: text, json or csv")
	flags.StringVar(&f.out, "out", "", "write the result to this `FILE` instead of standard output")
	flags.Var(&f.write, "write", "write the traffic to this `FILE` as pcapng instead")
	flags.StringArrayVar(&f.sets, "set", nil, "change a `KEY=VALUE` of the scenario, or of how --write reads a capture; may be given again")
	fixed := func(words ...string) cobra.CompletionFunc {
		return cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp)
	}
	for name, complete := range map[string]cobra.CompletionFunc{
		"format": fixed(formats...), "bitrate": fixed("125kbit/s", "250kbit/s", "500kbit/s", "1Mbit/s"), "for": fixed("60s", "10min"),
		"data-bitrate": fixed("2Mbit/s", "5Mbit/s"), "channel": fixed(), "set": completeKey,
	} {
		if err := c.RegisterFlagCompletionFunc(name, complete); err != nil {
			panic("stalegauge: " + err.Error())
		}
	}
}

// prepareInspect checks the use of the command.
func (p *program) prepareInspect(c *cobra.Command, args []string, f *inspectFlags) (func() error, []error) {
	if f.write.given {
		return p.prepareWrite(c, args, f)
	}
	q, mistakes := f.request(args)
	if len(f.sets) > 0 && !q.scenario {
		mistakes = append(mistakes, fmt.Errorf("--set: a capture has keys only with --write"))
	}
	if q.scenario && f.channel != "" {
		mistakes = append(mistakes, errors.New("--channel: the bus of a scenario has no channels; bus.capture.channel picks one of its capture"))
	}
	if !slices.Contains(formats, f.format) {
		mistakes = append(mistakes, wordFlag("format", f.format, formats))
	}
	for _, name := range []string{f.out, f.draft} {
		out, err := openOutput(p.out, name)
		if err != nil {
			mistakes = append(mistakes, err)
			continue
		}
		out.discard()
	}
	switch {
	case len(args) > 1:
		mistakes = append(mistakes, fmt.Errorf("one capture or scenario at a time: found %q after %q", args[1], args[0]))
	case len(args) == 0 && f.database == "":
		mistakes = append(mistakes, fmt.Errorf("inspect what? Give a capture, a scenario or --database FILE"))
	case f.draft != "" && (len(args) == 0 || args[0] == "-"):
		mistakes = append(mistakes, fmt.Errorf("--draft: a scenario is drafted from a capture file or a scenario"))
	}
	if f.draft != "" && f.out != "" && filepath.Clean(f.draft) == filepath.Clean(f.out) {
		mistakes = append(mistakes, fmt.Errorf("--draft and --out: both name %s, and one file holds one of them", f.out))
	}
	if f.fit && f.draft == "" {
		mistakes = append(mistakes, fmt.Errorf("--fit has no effect without --draft"))
	}
	return func() error { return p.inspect(c.Context(), q, f) }, mistakes
}

package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"syscall"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"stalegauge/scenarios"
)

// The exit statuses.
const (
	statusMet   = 0 // all limits are met, or none was asked for
	statusOpen  = 1 // a limit is missed or undecided
	statusWrong = 2 // wrong use or input, a failed write, or stopped
)

// program is one execution of the command line.
type program struct {
	args      []string
	out, errw io.Writer
	status    int
	plans     []*scenarios.Plan // to be closed in the end
}

// usageError is wrong use of the command line: all that is wrong with it.
type usageError struct {
	command  string
	mistakes []error
}

// Error returns the mistakes, one a line.
func (e *usageError) Error() string { return errors.Join(e.mistakes...).Error() }

// scenarioError is what is wrong with a scenario, ready to print.
type scenarioError struct{ error }

// Unwrap returns the error itself.
func (e *scenarioError) Unwrap() error { return e.error }

func (p *program) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "stalegauge",
		Short: "Tell how old every value on every wireless display will be, and why",
		Long: `stalegauge simulates a bridge that listens to a bus and broadcasts chosen
frames to wireless displays. For each signal on each display it tells how old
the shown value is, where every millisecond comes from, and what to change.`,
		Example: `  stalegauge run
  stalegauge run orchard --set receivers.pillar.queue=4
  stalegauge masks orchard --controller two-masks
  stalegauge scenarios list`,
		Version:       version(),
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.SetUsageTemplate(strings.ReplaceAll(root.UsageTemplate(), ".FlagUsages", ".FlagUsagesWrapped 80"))
	root.SetVersionTemplate("stalegauge {{.Version}}\n")
	p.group(root)
	root.AddCommand(p.runCommand(), p.compareCommand(), p.sizeCommand(), p.inspectCommand(), p.masksCommand(), p.radiosCommand(), p.loadCommand(), p.listenCommand(), p.scenariosCommand(), p.metricsCommand())
	root.SetHelpCommand(p.helpCommand())
	root.InitDefaultCompletionCmd()
	for _, c := range root.Commands() {
		if c.Name() == "completion" {
			c.Example = "  stalegauge completion bash > /etc/bash_completion.d/stalegauge"
			p.group(c)
			for _, shell := range c.Commands() {
				shell.Example = "  stalegauge completion " + shell.Name()
			}
		}
	}
	return root
}

// prepare checks the use of a command and returns what it is to do, or all that
// is wrong with its use.
type prepare func(c *cobra.Command, args []string) (work func() error, mistakes []error)

// command gives a command its work. Unknown flags are not the parser's to
// refuse: they are reported together with the other mistakes.
func (p *program) command(c *cobra.Command, prepare prepare) {
	c.Args = cobra.ArbitraryArgs
	c.FParseErrWhitelist.UnknownFlags = true
	c.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return &usageError{c.CommandPath(), append(unknownFlags(c, p.args), err)}
	})
	c.RunE = func(c *cobra.Command, args []string) error {
		work, mistakes := prepare(c, args)
		if mistakes = append(unknownFlags(c, p.args), mistakes...); len(mistakes) > 0 {
			return &usageError{c.CommandPath(), mistakes}
		}
		return work()
	}
}

// keep takes in a plan that is to be closed when the command ends, however it
// ends: standard input as a capture is kept in a temporary file until then.
func (p *program) keep(plan *scenarios.Plan) {
	if plan != nil {
		p.plans = append(p.plans, plan)
	}
}

func (p *program) closePlans() (err error) {
	for _, plan := range p.plans {
		err = errors.Join(err, plan.Close())
	}
	return err
}

// group makes a command that only holds others say what it misses.
func (p *program) group(c *cobra.Command) {
	c.SuggestionsMinimumDistance = 2
	p.command(c, func(c *cobra.Command, args []string) (func() error, []error) {
		if len(args) == 0 {
			return func() error {
				c.SetOut(p.errw)
				_ = c.Help() // the status says that something was missing
				return &usageError{c.CommandPath(), []error{errors.New("which command?")}}
			}, nil
		}
		return nil, []error{unknownCommand(c, args[0])}
	})
}

// finish tells the user how it ended, unless all is said, and returns the status.
func (p *program) finish(ctx context.Context, err error) int {
	var usage *usageError
	switch {
	case err == nil:
		return p.status
	case errors.Is(err, syscall.EPIPE):
		return p.status // the reader has seen enough; the verdict stands
	case errors.Is(err, context.Canceled) && ctx.Err() != nil:
		p.say("stopped before the end; no result was written")
	case errors.As(err, &usage):
		p.explain(usage)
	default:
		p.say(err.Error())
	}
	return statusWrong
}

// explain writes all that was wrong. A scenario's mistakes come with their own
// places, and the help of a command says nothing about them.
func (p *program) explain(usage *usageError) {
	help := false
	for _, m := range usage.mistakes {
		var inScenario *scenarioError
		if errors.As(m, &inScenario) {
			fmt.Fprintln(p.errw, strings.TrimRight(m.Error(), "\n"))
			continue
		}
		help = true
		p.say(m.Error())
	}
	if help {
		fmt.Fprintf(p.errw, "For help: %s --help\n", usage.command)
	}
}

// say writes a message to standard error.
func (p *program) say(text string) {
	fmt.Fprintf(p.errw, "stalegauge: %s\n", strings.TrimRight(text, "\n"))
}

// isTerminal reports whether w is a terminal that understands more than plain
// text.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd())) && os.Getenv("TERM") != "dumb"
}

// wantsColor follows the convention of NO_COLOR: any value but the empty one
// turns colours off.
func wantsColor(w io.Writer) bool { return isTerminal(w) && os.Getenv("NO_COLOR") == "" }

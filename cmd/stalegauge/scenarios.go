package main

import (
	"bytes"
	"fmt"
	"os"
	"strings"

	"github.com/jedib0t/go-pretty/v6/text"
	"github.com/spf13/cobra"

	"stalegauge/scenarios"
)

func (p *program) scenariosCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "scenarios",
		Short: "List, show and copy the built-in scenarios",
		Long:  "List, show and copy the built-in scenarios. A copy is a good start for your own.",
		Example: `  stalegauge scenarios list
  stalegauge scenarios show orchard --defaults
  stalegauge scenarios copy orchard my-tractor.yaml`,
	}
	p.group(c)
	c.AddCommand(p.listCommand(), p.showCommand(), p.copyCommand())
	return c
}

func (p *program) listCommand() *cobra.Command {
	c := &cobra.Command{
		Use:               "list",
		Short:             "List the built-in scenarios",
		Long:              "List the built-in scenarios, each with a line about it.",
		Example:           "  stalegauge scenarios list",
		ValidArgsFunction: cobra.NoFileCompletions,
	}
	p.command(c, func(_ *cobra.Command, args []string) (func() error, []error) {
		if len(args) > 0 {
			return nil, []error{fmt.Errorf("list takes no argument, found %q", args[0])}
		}
		return p.list, nil
	})
	return c
}

func (p *program) list() error {
	all := scenarios.Builtins()
	width := 0
	for _, s := range all {
		width = max(width, len(s.Name))
	}
	var b bytes.Buffer
	for _, s := range all {
		name := s.Name
		for _, line := range strings.Split(text.WrapSoft(s.About, max(80-width-2, 40)), "\n") {
			fmt.Fprintf(&b, "%-*s  %s\n", width, name, strings.TrimRight(line, " "))
			name = ""
		}
	}
	_, err := p.out.Write(b.Bytes())
	return err
}

func (p *program) showCommand() *cobra.Command {
	defaults := false
	c := &cobra.Command{
		Use:   "show SCENARIO",
		Short: "Print a scenario, its message bytes and, if asked, every default",
		Long: `Print a scenario as it is written, with a picture of the bytes of each message
that carries signals. With --defaults every key that it leaves out is printed
too, with the value that holds and where that value comes from.`,
		Example: `  stalegauge scenarios show orchard
  stalegauge scenarios show my-tractor.yaml --defaults`,
		ValidArgsFunction: completeScenario,
	}
	c.Flags().BoolVar(&defaults, "defaults", false, "print every default and where it comes from")
	p.command(c, func(_ *cobra.Command, args []string) (func() error, []error) {
		if len(args) != 1 {
			return nil, []error{fmt.Errorf("show takes one scenario, found %s", quoted(args))}
		}
		return func() error {
			var b bytes.Buffer
			if err := scenarios.Show(&b, args[0], defaults); err != nil {
				return &usageError{c.CommandPath(), []error{&scenarioError{err}}}
			}
			_, err := p.out.Write(b.Bytes())
			return err
		}, nil
	})
	return c
}

func (p *program) copyCommand() *cobra.Command {
	force := false
	c := &cobra.Command{
		Use:   "copy SCENARIO FILE",
		Short: "Copy a built-in scenario to a file",
		Long: `Copy a built-in scenario to a file of your own. A file that is there already is
left alone unless --force is given.`,
		Example:           "  stalegauge scenarios copy orchard my-tractor.yaml",
		ValidArgsFunction: completeScenario,
	}
	c.Flags().BoolVar(&force, "force", false, "replace a file that is there already")
	p.command(c, func(_ *cobra.Command, args []string) (func() error, []error) {
		if len(args) != 2 {
			return nil, []error{fmt.Errorf("copy takes a scenario and a file, found %s", quoted(args))}
		}
		return func() error {
			if err := scenarios.Copy(args[0], args[1], force); err != nil {
				if _, taken := os.Lstat(args[1]); taken == nil && !force {
					err = fmt.Errorf("%w; --force replaces a file", err)
				}
				return &usageError{c.CommandPath(), []error{&scenarioError{err}}}
			}
			p.say(args[0] + " copied to " + args[1])
			return nil
		}, nil
	})
	return c
}

// quoted writes arguments as they were found.
func quoted(args []string) string {
	if len(args) == 0 {
		return "none"
	}
	return `"` + strings.Join(args, `" "`) + `"`
}

// completeScenario offers the built-in scenarios beside the files of the folder.
func completeScenario(_ *cobra.Command, args []string, start string) ([]cobra.Completion, cobra.ShellCompDirective) {
	if len(args) > 0 {
		return nil, cobra.ShellCompDirectiveDefault
	}
	var names []cobra.Completion
	for _, s := range scenarios.Builtins() {
		if strings.HasPrefix(s.Name, start) {
			names = append(names, cobra.CompletionWithDesc(s.Name, s.About))
		}
	}
	return names, cobra.ShellCompDirectiveDefault
}

// completeKey offers the keys of a scenario that hold a value and need no name.
func completeKey(_ *cobra.Command, _ []string, start string) ([]cobra.Completion, cobra.ShellCompDirective) {
	var keys []cobra.Completion
	for _, k := range scenarios.Keys() {
		if k.Default != "" && !strings.Contains(k.Path, "*") && strings.HasPrefix(k.Path, start) {
			keys = append(keys, cobra.CompletionWithDesc(k.Path+"=", k.About))
		}
	}
	return keys, cobra.ShellCompDirectiveNoSpace | cobra.ShellCompDirectiveNoFileComp
}

package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
)

func (p *program) helpCommand() *cobra.Command {
	c := &cobra.Command{
		Use:     "help [COMMAND]",
		Short:   "Help about a command",
		Long:    "Print the help of a command, as the flag --help does.",
		Example: "  stalegauge help run\n  stalegauge help scenarios copy",
		ValidArgsFunction: func(c *cobra.Command, args []string, start string) ([]cobra.Completion, cobra.ShellCompDirective) {
			at, _, err := c.Root().Find(args)
			if err != nil {
				return nil, cobra.ShellCompDirectiveNoFileComp
			}
			var names []cobra.Completion
			for _, sub := range at.Commands() {
				if sub.IsAvailableCommand() && strings.HasPrefix(sub.Name(), start) {
					names = append(names, cobra.CompletionWithDesc(sub.Name(), sub.Short))
				}
			}
			return names, cobra.ShellCompDirectiveNoFileComp
		},
	}
	p.command(c, func(c *cobra.Command, args []string) (func() error, []error) {
		at := c.Root()
		for _, name := range args {
			next, rest, err := at.Find([]string{name})
			if err != nil || next == at || len(rest) > 0 {
				return nil, []error{unknownCommand(at, name)}
			}
			at = next
		}
		at.InitDefaultHelpFlag()
		return at.Help, nil
	})
	return c
}

// unknownCommand says that a command has no such command, and which may have
// been meant.
func unknownCommand(c *cobra.Command, name string) error {
	text := fmt.Sprintf("unknown command %q for %q", name, c.CommandPath())
	if near := c.SuggestionsFor(name); len(near) > 0 {
		text += ": did you mean " + strings.Join(near, " or ") + "?"
	}
	return fmt.Errorf("%s", text)
}

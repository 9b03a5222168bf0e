// Command stalegauge tells the designer of a bus-to-radio bridge how old every
// value on every wireless display will be, why, and what to change.
//
// Results go to standard output, everything else to standard error. The exit
// status is 0 when all limits are met, 1 when one is missed or undecided, and 2
// when the input or its use was wrong, a result could not be written, or the
// program was stopped.
package main

import (
	"context"
	"errors"
	"io"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	// A reader that stops early shows as an error of the write that it breaks.
	signal.Ignore(syscall.SIGPIPE)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second interrupt ends the program at once
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// run executes one command line and returns the exit status.
func run(ctx context.Context, args []string, in io.Reader, out, errw io.Writer) int {
	p := &program{args: args, out: out, errw: errw}
	root := p.root()
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(out)
	root.SetErr(errw)
	err := root.ExecuteContext(ctx)
	return p.finish(ctx, errors.Join(err, p.closePlans()))
}

package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"stalegauge/reports"
	"stalegauge/reports/metrics"
	"stalegauge/scenarios"
	"stalegauge/sim/live"
)

// listenFlags is what the user asked of listen.
type listenFlags struct {
	runFlags
	on, by, scenario, log string
	handler, draw         given
	queue, span, door     given
	weather               string
	dump                  bool
	output                liveOutput
}

// listening is a listener that is ready to go.
type listening struct {
	on        live.Address
	plan      *scenarios.Plan // as the scenario has it, nil = none
	desk      live.Desk
	span      time.Duration // 0 = until stopped
	collected listenFlags
}

func (p *program) listenCommand() *cobra.Command {
	var f listenFlags
	c := &cobra.Command{
		Use:   "listen",
		Short: "Measure live broadcasts: ages, gaps and losses as displays have them",
		Long: `Listen to broadcasts that arrive as datagrams, check every one of them, and
report what was lost and, with --scenario, how old each value was on each display.
Displays handle, queue and draw as the scenario or the flags say. Ages need the
send time and the record ages in the layout, which load always sends; without them
there are gaps and intervals only.

A sender on this host has this host's clock. Any other one is followed by the
shortest delays seen, and every age is then at least what is told.

The report comes at the end, after --for or when the program is interrupted. The
exit status is 0 when all limits were met as measured, 1 when one was not, the host
was too busy or nothing was heard, 2 when something was wrong.`,
		Example: `  stalegauge listen
  stalegauge listen --scenario orchard --for 60s
  stalegauge listen --on 239.1.2.3:47100 --interface eth0 --scenario my-tractor.yaml
  stalegauge listen --scenario orchard --handler 2ms --draw 31ms --queue 8 --log drive.log`,
		ValidArgsFunction: cobra.NoFileCompletions,
	}
	flags := c.Flags()
	flags.SortFlags = false
	flags.StringVar(&f.on, "on", fmt.Sprintf("127.0.0.1:%d", live.DefaultPort), "`ADDRESS` to listen on: of this host, all of it (:47100), or a multicast group")
	flags.StringVar(&f.by, "interface", "", "`NAME` of the interface by which a multicast group is joined")
	flags.StringVar(&f.scenario, "scenario", "", "`SCENARIO` that the sender runs: gives displays, ages and a prediction")
	flags.StringArrayVar(&f.sets, "set", nil, "change a `KEY=VALUE` of the scenario; may be given again")
	flags.Var(&f.handler, "handler", "`TIME` that every display takes to handle a broadcast")
	flags.Var(&f.draw, "draw", "`TIME` that every display takes to draw")
	flags.Var(&f.queue, "queue", "`NUMBER` of broadcasts that may wait at every display")
	flags.StringVar(&f.weather, "weather", "", "`DISPLAY` whose weather the sender applies; the prediction has it too")
	flags.Var(&f.span, "for", "`TIME` to listen; without it until interrupted")
	flags.StringVar(&f.log, "log", "", "write a line for each broadcast to this `FILE`")
	flags.BoolVar(&f.dump, "dump", false, "write every datagram to standard error as it comes")
	doorFlag(c, &f.door)
	f.output.flags(c)
	p.command(c, func(c *cobra.Command, args []string) (func() error, []error) {
		l, mistakes := f.read(args)
		p.keep(l.plan)
		mistakes = append(mistakes, f.output.check(p)...)
		return func() error { return p.listenLive(c.Context(), l) }, mistakes
	})
	return c
}

// read checks everything that the user gave.
func (f *listenFlags) read(args []string) (l *listening, mistakes []error) {
	l = &listening{collected: *f}
	note := func(err error) {
		if err != nil {
			mistakes = append(mistakes, err)
		}
	}
	if len(args) > 0 {
		note(fmt.Errorf("found %q: a scenario is given with --scenario", args[0]))
	}
	var err error
	if l.on, err = live.ResolveAddress(f.on, f.by); err != nil {
		note(addressError("on", err))
	}
	if f.span.given {
		l.span, err = liveDuration("for", f.span.text, time.Millisecond, longestLive)
		note(err)
	}
	note(checkDoor(f.door))
	if f.scenario != "" {
		var more []error
		l.plan, more = readPlan([]string{f.scenario}, &f.runFlags)
		mistakes = append(mistakes, more...)
	}
	f.readDesk(l, note)
	if l.plan != nil && len(mistakes) == 0 {
		_, err := live.Prepare(l.plan, l.desk)
		note(err)
	}
	return l, mistakes
}

// readDesk reads what displays are to be like.
func (f *listenFlags) readDesk(l *listening, note func(error)) {
	if f.scenario == "" {
		for _, x := range []struct {
			name  string
			given bool
		}{{"handler", f.handler.given}, {"draw", f.draw.given}, {"queue", f.queue.given}, {"weather", f.weather != ""}, {"set", len(f.sets) > 0}} {
			if x.given {
				note(fmt.Errorf("--%s has no effect without --scenario, which says what the displays show", x.name))
			}
		}
		return
	}
	timeFlag := func(name string, g given) *time.Duration {
		if !g.given {
			return nil
		}
		d, err := liveDuration(name, g.text, 0, time.Minute)
		note(err)
		return &d
	}
	l.desk.Handler, l.desk.Draw = timeFlag("handler", f.handler), timeFlag("draw", f.draw)
	if f.queue.given {
		text, err := wholeFlag("queue", f.queue.text, 0, 1_000_000)
		note(err)
		n := 0
		if err == nil {
			_, _ = fmt.Sscan(text, &n) // a whole number, checked above
		}
		l.desk.Queue = &n
	}
	if f.weather != "" && l.plan != nil {
		var err error
		l.desk.Weather, err = weatherOf(l.plan, f.weather)
		note(err)
	}
}

// config is what the listener knows of the sender.
func (l *listening) config() (c live.ListenerConfig, err error) {
	c.Watched = l.collected.door.given
	if l.plan == nil {
		return c, nil
	}
	if c.Plan, err = live.Prepare(l.plan, l.desk); err != nil {
		return c, err
	}
	first := l.desk
	first.Span = time.Minute // it finds a sender that has just begun
	begin, err := live.Prepare(l.plan, first)
	if err != nil {
		return c, err
	}
	c.Align, err = live.Alignment(begin)
	return c, err
}

// listenLive measures until the time is up or the program is interrupted.
func (p *program) listenLive(ctx context.Context, l *listening) (err error) {
	config, err := l.config()
	if err != nil {
		return err
	}
	if l.collected.dump {
		config.Dump = p.errw
	}
	socket, err := live.Bind(l.on)
	if err != nil {
		return err
	}
	defer socket.Close()
	log := bufio.NewWriter(nil)
	if l.collected.log != "" {
		config.Log = log
	}
	listener := live.NewListener(config)
	run := &metrics.LiveRun{Design: "no scenario", Plan: config.Plan, Listener: listener, Socket: socket}
	if l.plan != nil {
		run.Design = l.plan.Name
	}
	shut, err := p.serveLive(l.collected.door, run)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, shut()) }()
	// Last of all: a log of before is not lost to a listener that cannot begin.
	finishLog, err := openLog(l.collected.log, log)
	if err != nil {
		return err
	}
	fmt.Fprintf(p.errw, "listening on %s\n", socket.LocalAddr())
	// What was measured is told even when the log could not be kept.
	broken := p.watch(ctx, l, listener, socket)
	m := listener.Finish(0)
	m.Asked, m.Buffer = socket.Asked, socket.Buffer
	m.Drops, m.DropsKnown = socket.Drops()
	broken = errors.Join(broken, finishLog())
	outcome, err := live.Judge(m, l.plan, l.desk, nil, true)
	if err != nil {
		return errors.Join(broken, err)
	}
	if !outcome.Met() || !outcome.Began {
		p.status = statusOpen
	}
	r := &reports.Live{Plan: l.plan, Heard: outcome}
	if l.plan != nil && !outcome.Counts.Aligned && outcome.Began {
		r.Untested = append(r.Untested, "the redraws of the displays stand in another relation to the sender's timers than in the prediction: the first broadcast heard is not one of the sender's first minute")
	}
	return errors.Join(broken, l.collected.output.report(p.out, r))
}

// watch listens and shows what goes on.
func (p *program) watch(ctx context.Context, l *listening, listener *live.Listener, socket *live.Socket) error {
	if l.span > 0 {
		var stop context.CancelFunc
		ctx, stop = context.WithTimeout(ctx, l.span)
		defer stop()
	}
	done := make(chan error, 1)
	go func() { done <- listener.Listen(ctx, socket) }()
	screen := newScreen(p.errw)
	defer screen.clear()
	tick := time.NewTicker(500 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case err := <-done:
			return err
		case <-tick.C:
			if !l.collected.dump {
				showView(screen, l.plan, listener)
			}
		}
	}
}

// showView shows what a listener knows.
func showView(s *screen, plan *scenarios.Plan, listener *live.Listener) {
	v := listener.View()
	s.show(func(o reports.TextOptions, lines int) []string { return reports.LiveTable(plan, &v, o, lines) },
		func() string { return reports.LiveLine(plan, &v) })
}

// openLog opens the file of a listener's log; the function returned ends it.
func openLog(name string, w *bufio.Writer) (finish func() error, err error) {
	if name == "" {
		return func() error { return nil }, nil
	}
	file, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o666)
	if err != nil {
		return nil, fmt.Errorf("--log: cannot write %s: %w", name, pathless(err))
	}
	w.Reset(file)
	_, _ = w.WriteString(live.LogHead) // an error comes again at the end
	return func() error {
		if err := w.Flush(); err != nil {
			_ = file.Close()
			return fmt.Errorf("--log: cannot write %s: %w", name, pathless(err))
		}
		return file.Close()
	}, nil
}

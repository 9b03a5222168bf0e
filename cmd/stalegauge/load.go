package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"stalegauge/scenarios"
	"stalegauge/sim/live"
)

// loadFlags is what the user asked of load.
type loadFlags struct {
	runFlags
	to, weather       []string
	by, speed, bridge string
	span, most, ramp  given
	door              given
	dryRun            bool
	output            liveOutput
}

// loading is a sender that is ready to go.
type loading struct {
	flags    loadFlags
	plan     *scenarios.Plan // as the scenario has it
	prepared *scenarios.Plan
	desk     live.Desk
	speed    float64 // 0 = max
	most     float64 // datagrams a second
	ramp     *live.RampConfig
	targets  []target
	probe    bool // this program listens too
}

// target is one place to send to.
type target struct {
	name    string
	address *live.Address // nil = a file or standard output
}

const (
	mostOnLoopback = 100_000 // datagrams a second, unless --max-rate says otherwise
	mostElsewhere  = 2_000
)

func (p *program) loadCommand() *cobra.Command {
	var f loadFlags
	c := &cobra.Command{
		Use:   "load [SCENARIO]",
		Short: "Send the simulated broadcasts on a wall clock, to load real receivers",
		Long: `Send what the bridge of a scenario would broadcast, each broadcast as one datagram
at the instant at which it would be in the air, with send time and record ages. The
bus is simulated; nothing is ever sent to a vehicle bus.

Without --to the datagrams go to this host alone, and this program listens too and
puts what it measures beside the prediction, unless a stalegauge listen is there
already. Any other target must be given; what will be sent is told first. A file
or standard output gets each datagram behind its length in 2 bytes, big-endian, for
a board that radiates them.

The exit status is 0 when all was sent in time and, where this program listened,
all limits were met; 1 when a limit was not met, no rate of a ramp passed, the
highest rate held datagrams back, or the host was too busy; 2 when something was
wrong.`,
		Example: `  stalegauge load
  stalegauge load my-tractor.yaml --to 192.0.2.7:47100 --for 10min
  stalegauge load orchard --to 239.1.2.3:47100 --interface eth0 --bridges 4
  stalegauge load orchard --ramp from=100/s,to=20000/s,step=10s,until-loss=1%
  stalegauge load orchard --metrics 9464 --for 1h
  stalegauge load orchard --to file:/dev/ttyUSB0 --dry-run`,
		ValidArgsFunction: completeScenario,
	}
	flags := c.Flags()
	flags.SortFlags = false
	flags.StringArrayVar(&f.to, "to", nil, "`TARGET`: HOST:PORT, a multicast group or a broadcast address, file:PATH, or - for standard output; may be given again")
	flags.StringVar(&f.by, "interface", "", "`NAME` of the interface by which groups and broadcasts leave")
	flags.Var(&f.span, "for", "`TIME` to send, 24h at most (default 60s; a ramp lasts as long as it takes)")
	flags.StringVar(&f.speed, "speed", "1x", "`SPEED` of the simulated clock: 1x, another multiple such as 4x, or max")
	flags.StringVar(&f.bridge, "bridges", "1", "`NUMBER` of equal bridges, each with a bus and a set identifier of its own")
	flags.StringArrayVar(&f.weather, "weather", nil, "`DISPLAY` of the scenario whose weather loses datagrams; once, or once for each --to")
	flags.Var(&f.ramp, "ramp", "look for the highest rate without loss or staleness: `from=100/s,to=20000/s,step=10s,until-loss=1%`")
	flags.Var(&f.most, "max-rate", fmt.Sprintf("`RATE` that is never exceeded (default %d/s on this host, %d/s elsewhere)", mostOnLoopback, mostElsewhere))
	flags.StringArrayVar(&f.sets, "set", nil, "change a `KEY=VALUE` of the scenario; may be given again")
	flags.Var(&f.seed, "seed", "whole `NUMBER` that starts all random streams")
	flags.BoolVar(&f.dryRun, "dry-run", false, "tell what would be sent, and send nothing")
	doorFlag(c, &f.door)
	f.output.flags(c)
	p.command(c, func(c *cobra.Command, args []string) (func() error, []error) {
		l, mistakes := f.read(args)
		p.keep(l.plan)
		mistakes = append(mistakes, f.output.check(p)...)
		return func() error { return p.load(c.Context(), l) }, mistakes
	})
	return c
}

// read checks everything that the user gave.
func (f *loadFlags) read(args []string) (l *loading, mistakes []error) {
	l = &loading{flags: *f, desk: live.Desk{Span: time.Minute}}
	note := func(err error) {
		if err != nil {
			mistakes = append(mistakes, err)
		}
	}
	var err error
	l.speed, err = speedFlag(f.speed)
	note(err)
	if f.span.given {
		l.desk.Span, err = liveDuration("for", f.span.text, time.Millisecond, longestLive)
		note(err)
	}
	bridges, err := wholeFlag("bridges", f.bridge, 1, live.MaxBridges)
	note(err)
	_, _ = fmt.Sscan(bridges, &l.desk.Bridges) // nothing to read where that was a mistake
	if f.ramp.given {
		ramp, errs := rampFlag(f.ramp.text)
		mistakes = append(mistakes, errs...)
		l.ramp = &ramp
		if l.speed != 1 {
			note(fmt.Errorf("--speed: found %q beside --ramp, which sets the rate itself", f.speed))
		}
	}
	note(checkDoor(f.door))
	f.readTargets(l, note)
	var more []error
	l.plan, more = readPlan(args, &f.runFlags)
	mistakes = append(mistakes, more...)
	if l.plan == nil {
		return l, mistakes
	}
	note(f.readWeather(l))
	if len(mistakes) == 0 {
		l.prepared, err = live.Prepare(l.plan, l.desk)
		note(err)
	}
	return l, mistakes
}

// readTargets reads where to send to, and the bound on the rate, which is lower
// where others are.
func (f *loadFlags) readTargets(l *loading, note func(error)) {
	to := f.to
	if len(to) == 0 {
		to, l.probe = []string{fmt.Sprintf("127.0.0.1:%d", live.DefaultPort)}, true
	}
	l.most = mostOnLoopback
	for _, text := range to {
		if path, isFile := strings.CutPrefix(text, "file:"); text == "-" || isFile {
			if isFile && path == "" {
				note(errors.New("--to: found file: without a path"))
			}
			l.targets = append(l.targets, target{name: text})
			continue
		}
		a, err := live.ResolveAddress(text, f.by)
		if err == nil && a.Port == 0 {
			err = errors.New("found port 0, expected one from 1 to 65535")
		}
		if err != nil {
			note(addressError("to", err))
			continue
		}
		if !a.Loopback() {
			l.most = mostElsewhere
		}
		l.targets = append(l.targets, target{text, &a})
	}
	if l.ramp != nil && !f.most.given && l.ramp.To > l.most {
		note(fmt.Errorf("--ramp: to=%.0f/s is above the bound of %.0f/s: raise it with --max-rate", l.ramp.To, l.most))
	}
	if f.most.given {
		most, err := rateFlag("max-rate", f.most.text, 1, mostRate)
		note(err)
		l.most = most
		if err == nil && l.ramp != nil && l.ramp.To > most {
			note(fmt.Errorf("--ramp: to=%.0f/s is above --max-rate %s", l.ramp.To, f.most.text))
		}
	}
	if slices.Contains(f.to, "-") && f.output.out == "" {
		note(errors.New("--to: standard output takes the datagrams: give the report a file with --out"))
	}
}

// readWeather gives every target its weather; that of the first is predicted too.
func (f *loadFlags) readWeather(l *loading) error {
	if n := len(f.weather); n > 1 && n != len(l.targets) {
		return fmt.Errorf("--weather: found %d for %d targets, expected one for all or one for each", n, len(l.targets))
	}
	if len(f.weather) == 0 {
		return nil
	}
	var err error
	l.desk.Weather, err = weatherOf(l.plan, f.weather[0])
	for _, name := range f.weather[1:] {
		if _, e := weatherOf(l.plan, name); err == nil {
			err = e
		}
	}
	return err
}

// announce tells what will be sent before anything is.
func (l *loading) announce(w io.Writer, e *live.Estimate) {
	for i, t := range l.targets {
		where := "a file: each datagram behind its length in 2 bytes"
		if t.name == "-" {
			where = "standard output" + strings.TrimPrefix(where, "a file")
		}
		if t.address != nil {
			where = t.address.Kind() + ", leaves this host"
			if t.address.Loopback() {
				where = t.address.Kind() + ", stays on this host"
			}
		}
		weather := ""
		if len(l.flags.weather) > 0 {
			weather = ", with the weather of " + l.flags.weather[min(i, len(l.flags.weather)-1)]
		}
		fmt.Fprintf(w, "to       %s (%s)%s\n", t.name, where, weather)
	}
	fmt.Fprintf(w, "what     %s: %d to %d bytes a datagram, about %.3g/s and %.3g kB/s at 1x; bridges: %d, set identifiers from %d on\n",
		l.plan.Name, e.Smallest, e.Largest, e.PerSecond(), e.BytesPerSecond()/1000, l.desk.Bridges, l.prepared.Bridge.Layout.Set)
	switch {
	case l.ramp != nil:
		fmt.Fprintf(w, "how long %s at each rate from %.0f/s to %.0f/s; never more than %.0f/s\n", spell(l.ramp.Step), l.ramp.From, l.ramp.To, l.most)
	case l.speed == 0:
		fmt.Fprintf(w, "how long %s of the bridges' time, about %.0f datagrams, as fast as possible; never more than %.0f/s\n", spell(l.desk.Span), e.PerSecond()*l.desk.Span.Seconds(), l.most)
	default:
		lasts, slower := float64(l.desk.Span)/l.speed, ""
		if rate := e.PerSecond() * l.speed; rate > l.most {
			lasts, slower = lasts*rate/l.most, ", which makes it longer"
		}
		fmt.Fprintf(w, "how long %s at %gx, about %.0f datagrams; never more than %.0f/s%s\n",
			spell(time.Duration(lasts).Round(time.Millisecond)), l.speed, e.PerSecond()*l.desk.Span.Seconds(), l.most, slower)
	}
}

// elsewhere reports whether anything leaves this host or the program.
func (l *loading) elsewhere() bool {
	return slices.ContainsFunc(l.targets, func(t target) bool { return t.address == nil || !t.address.Loopback() })
}

// load sends.
func (p *program) load(ctx context.Context, l *loading) error {
	short := l.desk
	short.Span = min(l.desk.Span, time.Minute)
	plan, err := live.Prepare(l.plan, short)
	if err != nil {
		return err
	}
	estimate, err := live.Forecast(plan)
	if err != nil {
		return err
	}
	if l.flags.dryRun {
		l.announce(p.out, estimate)
		return nil
	}
	if l.elsewhere() {
		l.announce(p.errw, estimate)
	}
	outputs, closeAll, err := l.open(p.out)
	if err != nil {
		return errors.Join(err, closeAll())
	}
	run := &loadRun{loading: l, p: p, natural: estimate.PerSecond()}
	r, err := run.do(ctx, outputs)
	if err = errors.Join(err, closeAll()); r == nil {
		return err
	}
	stdout := p.out
	if slices.Contains(l.flags.to, "-") {
		stdout = p.errw
	}
	return errors.Join(err, l.flags.output.report(stdout, r))
}

// open opens every target.
func (l *loading) open(stdout io.Writer) (outputs []*live.Output, closeAll func() error, err error) {
	var closers []io.Closer
	closeAll = func() (err error) {
		for _, c := range closers {
			err = errors.Join(err, pathless(c.Close()))
		}
		return err
	}
	for i, t := range l.targets {
		var o *live.Output
		switch {
		case t.address != nil:
			var conn net.PacketConn
			if conn, o, err = live.Dial(*t.address); err == nil {
				closers = append(closers, conn)
			}
		case t.name == "-":
			o = live.ToStream(t.name, stdout)
		default:
			var file *os.File
			path := strings.TrimPrefix(t.name, "file:")
			if file, err = os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o666); err == nil {
				closers = append(closers, file)
				o = live.ToStream(t.name, file)
			} else {
				err = fmt.Errorf("--to: cannot write %s: %w", path, pathless(err))
			}
		}
		if err != nil {
			return nil, closeAll, err
		}
		if len(l.flags.weather) > 1 {
			w, err := weatherOf(l.plan, l.flags.weather[i])
			if err != nil {
				return nil, closeAll, err
			}
			on := w.On(l.plan.Radio)
			o.Weather = &on
		}
		outputs = append(outputs, o)
	}
	return outputs, closeAll, nil
}

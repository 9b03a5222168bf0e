package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync/atomic"
	"syscall"
	"time"

	"golang.org/x/time/rate"

	"stalegauge/reports"
	"stalegauge/reports/metrics"
	"stalegauge/sim/live"
)

// loadRun is a sender under way, with a listener where this program has one.
type loadRun struct {
	*loading
	p        *program
	natural  float64 // datagrams a second at 1x
	socket   *live.Socket
	listener *live.Listener
	untested []string
	pace     *rate.Limiter
	watch    live.Watch
}

// do sends, and listens where that was asked for. The report is nil when there is
// nothing to tell.
func (r *loadRun) do(ctx context.Context, outputs []*live.Output) (report *reports.Live, err error) {
	start := time.Now()
	heard, stop, err := r.listen(ctx, start)
	if err != nil {
		return nil, err
	}
	defer stop()
	r.pace = rate.NewLimiter(rate.Limit(r.most), max(1, int(r.most/10))) // the bursts of the bridge are not to be flattened
	shut, err := r.p.serveLive(r.flags.door, &metrics.LiveRun{
		Design: r.plan.Name, Plan: r.prepared, Watch: &r.watch, Pace: r.pace, Listener: r.listener, Socket: r.socket,
	})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, shut()) }()
	sent, ramp, err := r.send(ctx, outputs, start)
	if sent == nil {
		return nil, err
	}
	report = &reports.Live{
		Plan: r.plan, Speed: r.flags.speed, Bridges: r.desk.Bridges, Sent: sent, Ramp: ramp,
	}
	if r.listener != nil {
		time.Sleep(50 * time.Millisecond) // what is still in the socket's buffer
		until := sent.Span
		if r.speed != 1 || ramp != nil {
			until = 0
		}
		m := r.listener.Finish(until)
		m.Asked, m.Buffer = r.socket.Asked, r.socket.Buffer
		m.Drops, m.DropsKnown = r.socket.Drops()
		stop()
		err = errors.Join(err, <-heard)
		slow := r.speed == 1 && ramp == nil && heldBack(sent)
		outcome, e := live.Judge(m, r.plan, r.desk, &sent.Lateness, r.speed == 1 && ramp == nil && !slow)
		if e != nil {
			return report, errors.Join(err, e)
		}
		if slow {
			outcome.Busy, outcome.Note = false, "the highest rate held the broadcasts back; --max-rate raises it"
		}
		report.Heard = outcome
	}
	r.judge(report)
	report.Untested = r.untested
	return report, err
}

// listen opens the listener of this program, unless another one is there.
func (r *loadRun) listen(ctx context.Context, start time.Time) (heard chan error, stop context.CancelFunc, err error) {
	stop = func() {}
	switch {
	case !r.probe && r.elsewhere():
		r.untested = append(r.untested, "what arrives at the targets: whoever listens there tells")
		if r.targets[0].address == nil {
			r.untested = append(r.untested, "air time, collisions and loss on the radio that sends what the file gets: it takes its air time itself, so datagrams are written when theirs begins")
		}
		return nil, stop, nil
	case !r.probe:
		r.untested = append(r.untested, "what arrives at the targets: whoever listens there tells")
		return nil, stop, nil
	}
	r.socket, err = live.Bind(*r.targets[0].address)
	if errors.Is(err, syscall.EADDRINUSE) {
		r.p.say(fmt.Sprintf("another program listens on %s: it has the measurement", r.targets[0].name))
		r.untested = append(r.untested, "what arrives: the program that listens on "+r.targets[0].name+" tells")
		return nil, stop, nil
	}
	if err != nil {
		return nil, stop, err
	}
	r.listener = live.NewListener(live.ListenerConfig{Plan: r.prepared, Start: start, Watched: r.flags.door.given})
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx)) // it ends after the sender
	heard = make(chan error, 1)
	go func() { heard <- r.listener.Listen(ctx, r.socket) }()
	return heard, func() { cancel(); _ = r.socket.Close() }, nil
}

// send runs the sender, under a ramp where one was asked for.
func (r *loadRun) send(ctx context.Context, outputs []*live.Output, start time.Time) (sent *live.Sent, ramp *live.Ramp, err error) {
	var count atomic.Uint64
	c := live.SenderConfig{
		Plan: r.prepared, Span: r.desk.Span, Outputs: outputs, Speed: r.speed, Start: start, Count: &count, Fine: true,
		Pace: r.pace, Watch: &r.watch,
	}
	screen := newScreen(r.p.errw)
	defer screen.clear()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	ticks := make(chan struct{})
	go func() {
		defer close(ticks)
		r.show(ctx, screen, &count, start)
	}()
	if r.ramp == nil {
		sent, err = live.Send(ctx, c)
	} else {
		sent, ramp, err = r.climb(ctx, c)
	}
	stop()
	<-ticks
	return sent, ramp, err
}

// climb runs the sender under a ramp.
func (r *loadRun) climb(ctx context.Context, c live.SenderConfig) (sent *live.Sent, ramp *live.Ramp, err error) {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	config := *r.ramp
	config.Plan = r.prepared
	c.Speed, c.Natural = 0, r.natural
	c.Span = math.MaxInt64 // the ramp says when it is over
	live.SetRate(c.Pace, config.From)
	var view func() live.View
	if r.listener != nil {
		view = r.listener.View
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		sent, err = live.Send(ctx, c)
		stop()
	}()
	ramp = live.Climb(ctx, config, c.Pace, c.Count.Load, view)
	stop()
	<-done
	if sent != nil {
		sent.Asked, sent.Stopped = 0, false // there was more than one rate, and the ramp ends it
	}
	return sent, ramp, err
}

// show tells how far the sender is.
func (r *loadRun) show(ctx context.Context, s *screen, count *atomic.Uint64, start time.Time) {
	tick := time.NewTicker(500 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if r.listener != nil {
			showView(s, r.plan, r.listener)
			continue
		}
		line := func() string {
			return fmt.Sprintf("%s: %d datagrams sent", time.Since(start).Truncate(time.Second), count.Load())
		}
		s.show(func(reports.TextOptions, int) []string { return []string{line()} }, line)
	}
}

// heldBack reports whether the rate limit, and not the host, made a run at 1x late:
// the clock then falls behind the bridges for good.
func heldBack(s *live.Sent) bool { return s.Held > 0 && float64(s.Elapsed) > 1.02*float64(s.Span) }

// judge sets the exit status and says what is left open.
func (r *loadRun) judge(report *reports.Live) {
	s := report.Sent
	late := time.Duration(0)
	if s.Lateness.Count() > 0 && r.speed > 0 {
		late = time.Duration(s.Lateness.Quantile(.99))
	}
	failed := uint64(0)
	for _, o := range s.Outputs {
		failed += o.Failed + o.Refused
	}
	missed := report.Heard != nil && report.Ramp == nil && r.speed == 1 && !report.Heard.Met()
	slow := report.Ramp == nil && r.speed == 1 && heldBack(s)
	if late > live.BusyLateness || failed > 0 || missed || slow || report.Ramp != nil && r.listener != nil && report.Ramp.Knee == 0 {
		r.p.status = statusOpen
	}
	if r.speed != 1 && report.Ramp == nil {
		r.untested = append(r.untested, "ages as displays will have them: at another speed than 1x the bus runs faster than the one simulated, and the displays do not")
	}
}

package live

import (
	"context"
	"errors"
	"math"
	"net"
	"os"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/time/rate"

	"stalegauge/radio"
	"stalegauge/scenarios"
)

// listenOn opens a listener's socket. It skips the test where the host has no such
// network.
func listenOn(t testing.TB, address, by string) (*Socket, Address) {
	t.Helper()
	a, err := ResolveAddress(address, by)
	require.NoError(t, err)
	s, err := Bind(a)
	if absent(err) {
		t.Skipf("this host has no %s: %v", address, err)
	}
	require.NoError(t, err)
	t.Cleanup(func() { _ = s.Close() })
	a.Port = s.LocalAddr().(*net.UDPAddr).Port
	return s, a
}

// untold skips a test of what a kernel may tell; one where everything has to be
// tested does.
func untold(t *testing.T) {
	t.Helper()
	const says = "this kernel does not tell"
	require.NotEqual(t, "true", os.Getenv("CI"), says)
	t.Skip(says)
}

// absent reports whether an error says that the host lacks a kind of network.
func absent(err error) bool {
	for _, e := range []syscall.Errno{syscall.EAFNOSUPPORT, syscall.EADDRNOTAVAIL, syscall.ENODEV, syscall.ENETUNREACH, syscall.EPROTONOSUPPORT} {
		if errors.Is(err, e) {
			return true
		}
	}
	return errors.Is(err, ErrNoMulticast)
}

// overSockets runs a sender and a listener over real sockets.
func overSockets(t testing.TB, to Address, s *Socket, c SenderConfig, l *Listener) (*Sent, *Measured) {
	t.Helper()
	conn, out, err := Dial(to)
	require.NoError(t, err)
	defer conn.Close()
	c.Outputs, c.Fine = []*Output{out}, true
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- l.Listen(ctx, s) }()
	sent, err := Send(ctx, c)
	if absent(err) {
		stop()
		<-done
		t.Skipf("this host cannot send to %s: %v", to, err)
	}
	require.NoError(t, err)
	for until := time.Now().Add(2 * time.Second); l.View().Counts.Datagrams < sent.Datagrams && time.Now().Before(until); {
		time.Sleep(time.Millisecond) // a busy host may read late
	}
	time.Sleep(30 * time.Millisecond) // what nobody has sent would come now
	m := l.Finish(c.Span)
	stop()
	require.NoError(t, <-done)
	m.Drops, m.DropsKnown = s.Drops()
	return sent, m
}

// The default scenario over loopback: ages as predicted within 2 ms and what the
// host was late. A host too busy for that is given a second try, and then what it
// was late is its tolerance, counts and ledgers staying exact.
func TestLoopbackAgesAreThePrediction(t *testing.T) {
	span := pick(4200*ms, time.Minute)
	plan, err := scenarios.Open(scenarios.Default, nil)
	require.NoError(t, err)
	desk := Desk{Span: span}
	prepared, err := Prepare(plan, desk)
	require.NoError(t, err)
	var o *Outcome
	for try := range 2 {
		s, to := listenOn(t, "127.0.0.1:0", "")
		start := time.Now()
		l := NewListener(ListenerConfig{Plan: prepared, Start: start})
		sent, m := overSockets(t, to, s, SenderConfig{Plan: prepared, Span: span, Speed: 1, Start: start}, l)
		checkCounts(t, sent, m)
		require.Zero(t, m.Counts.Missing)
		require.True(t, m.Counts.SameClock)
		o, err = Judge(m, plan, desk, &sent.Lateness, true)
		require.NoError(t, err)
		require.Empty(t, o.Note)
		if !o.Busy && o.Agrees() {
			break
		}
		t.Logf("try %d: 99 %% of the datagrams within %v", try+1, o.Late)
	}
	require.Len(t, o.Comparisons, 22)
	for _, c := range o.Comparisons {
		require.True(t, c.Compared, c.Signal)
		require.True(t, c.Agrees, "%s %s: live p50 %v p95 %v, predicted %v %v, tolerance %v", c.Receiver, c.Signal,
			c.Live.Age.P50.Value, c.Live.Age.P95.Value, c.Predicted.Age.P50.Value, c.Predicted.Age.P95.Value, o.Tolerance)
	}
}

// 2,000 datagrams a second over loopback for 5 s, in the long form 10 s, none lost.
func TestNothingIsLostOnLoopback(t *testing.T) {
	t.Parallel()
	want := pick(uint64(10_000), 20_000)
	plan := prepared(t, "forward-everything", Desk{Span: time.Hour}, "bridge.policy.kind=each")
	s, to := listenOn(t, "127.0.0.1:0", "")
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	l := NewListener(ListenerConfig{Plan: plan, Start: time.Now()})
	done := make(chan error, 1)
	go func() { done <- l.Listen(ctx, s) }()
	conn, out, err := Dial(to)
	require.NoError(t, err)
	defer conn.Close()
	write := out.Write
	n := uint64(0)
	sending, end := context.WithCancel(ctx)
	defer end()
	out.Write = func(b []byte) error {
		if n++; n == want {
			end()
		}
		return write(b)
	}
	sent, err := Send(sending, SenderConfig{Plan: plan, Span: time.Hour, Pace: rate.NewLimiter(2000, 4), Outputs: []*Output{out}})
	require.NoError(t, err)
	require.Eventually(t, func() bool { return l.View().Counts.Own >= out.Sent }, 5*time.Second, time.Millisecond)
	m := l.Finish(0)
	stop()
	require.NoError(t, <-done)
	m.Drops, _ = s.Drops()
	checkCounts(t, sent, m)
	require.GreaterOrEqual(t, m.Counts.Heard, want)
	require.Equal(t, out.Sent, m.Counts.Heard)
	require.Zero(t, m.Counts.Missing)
	require.Zero(t, m.Drops)
	t.Logf("%.0f datagrams a second", sent.Achieved()) // a busy host may be slower
	require.Less(t, sent.Achieved(), 2100.)
}

// Every way that datagrams can go, by loopback. It counts, and judges no instants.
func TestEveryKindOfAddress(t *testing.T) {
	t.Parallel()
	const span = 150 * time.Millisecond
	plan := prepared(t, "orchard", Desk{Span: span})
	for _, x := range []struct{ name, on, to, by string }{
		{"IPv4", "127.0.0.1:0", "127.0.0.1:%", ""},
		{"IPv6", "[::1]:0", "[::1]:%", ""},
		{"IPv4 multicast", "239.255.71.1:0", "239.255.71.1:%", "lo"},
		{"IPv6 multicast", "[ff12::7101]:0", "[ff12::7101]:%", "lo"},
		{"directed broadcast", "0.0.0.0:0", "127.255.255.255:%", ""},
		{"limited broadcast", "0.0.0.0:0", "255.255.255.255:%", "lo"},
	} {
		t.Run(x.name, func(t *testing.T) {
			if _, err := net.InterfaceByName("lo"); x.by != "" && err != nil {
				t.Skip("this host's loopback interface has another name")
			}
			s, on := listenOn(t, x.on, x.by)
			to, err := ResolveAddress(x.to[:len(x.to)-1]+"1", x.by)
			require.NoError(t, err)
			to.Port = on.Port
			require.True(t, to.Loopback() || x.by == "")
			l := NewListener(ListenerConfig{Plan: plan, Start: time.Now(), SameHost: yes})
			sent, m := overSockets(t, to, s, SenderConfig{Plan: plan, Span: span, Speed: 1}, l)
			require.NotZero(t, sent.Datagrams)
			require.Equal(t, sent.Datagrams, m.Counts.Heard)
			checkCounts(t, sent, m)
		})
	}
}

// The kernel's own counter tells of a buffer that is too small, and with it every
// datagram has a fate.
func TestTheKernelsDropsAreACause(t *testing.T) {
	plan := prepared(t, "forward-everything", Desk{Span: time.Second}, "bridge.policy.kind=each")
	s, to := listenOn(t, "127.0.0.1:0", "")
	require.NoError(t, s.SetReadBuffer(4096))
	conn, out, err := Dial(to)
	require.NoError(t, err)
	defer conn.Close()
	sent, err := Send(context.Background(), SenderConfig{Plan: plan, Span: time.Second, Outputs: []*Output{out}})
	require.NoError(t, err)
	l := NewListener(ListenerConfig{Plan: plan, Start: time.Now()})
	ctx, stop := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer stop()
	require.NoError(t, l.Listen(ctx, s))
	m := l.Finish(0)
	drops, known := s.Drops()
	if !known {
		untold(t)
	}
	require.NotZero(t, drops)
	require.Equal(t, sent.Datagrams, m.Counts.Own+drops)
}

// Over sockets the weather loses what its law says. Datagrams a gap apart see a
// two-state chain: with T = burst (1 - loss) the correlation time of the process
// (Gilbert 1960, exponential stays), r = exp(-gap/T) is the correlation from one to
// the next. The share lost has the variance p (1-p) / n (1+r)/(1-r), and runs of
// losses are geometric with the chance q = (1-p)(1-r) to end. Both inside 99 %.
func TestSoftwareWeatherOnLoopback(t *testing.T) {
	const loss, burst, gap = 0.1, 60 * ms, 10 * ms
	const drift = 60e-6 // of the sending node's clock, in the scenario
	span := pick(200*time.Second, time.Hour)
	plan := prepared(t, "orchard", Desk{Span: span, Weather: &radio.Weather{Loss: loss, Burst: burst}},
		"bridge.policy.kind=each", "bridge.forward=[0A0]")
	s, to := listenOn(t, "127.0.0.1:0", "")
	l := NewListener(ListenerConfig{Plan: plan, Start: time.Now()})
	sent, m := overSockets(t, to, s, SenderConfig{Plan: plan, Span: span, Pace: rate.NewLimiter(15_000, 50)}, l)
	o := sent.Outputs[0]
	checkCounts(t, sent, m)
	require.Equal(t, o.Sent, m.Counts.Heard)
	n := float64(o.Sent + o.Faded)
	require.InDelta(t, span.Seconds()/gap.Seconds()/(1+drift), n, 2)
	r := math.Exp(-gap.Seconds() / (burst.Seconds() * (1 - loss)))
	require.InDelta(t, loss, float64(o.Faded)/n, 2.576*math.Sqrt(loss*(1-loss)/n*(1+r)/(1-r)))
	q, runs := (1-loss)*(1-r), float64(m.Counts.RunCount())
	require.InDelta(t, 1/q, float64(m.Counts.Missing)/runs, 2.576*math.Sqrt(1-q)/q/math.Sqrt(runs))
}

// A host that says that nobody listens is heard, and costs no datagram.
func TestNobodyListens(t *testing.T) {
	const span = 400 * time.Millisecond
	plan := prepared(t, "orchard", Desk{Span: span})
	s, to := listenOn(t, "127.0.0.1:0", "")
	require.NoError(t, s.Close())
	conn, out, err := Dial(to)
	require.NoError(t, err)
	defer conn.Close()
	sent, err := Send(context.Background(), SenderConfig{Plan: plan, Span: span, Outputs: []*Output{out}})
	require.NoError(t, err)
	require.Greater(t, sent.Datagrams, uint64(3))
	require.Equal(t, sent.Datagrams, out.Sent)
	require.Zero(t, out.Failed)
	if out.Refused == 0 {
		untold(t)
	}
	require.Less(t, out.Refused, out.Sent)
}

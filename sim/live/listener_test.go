package live

import (
	"context"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"stalegauge/bus/fate"
	"stalegauge/radio"
	"stalegauge/scenarios"
)

func yes(net.Addr) bool { return true }
func no(net.Addr) bool  { return false }

// together runs a sender and a listener inside a bubble of fake time.
func together(t *testing.T, plan *scenarios.Plan, span time.Duration, c ListenerConfig) (*Sent, *Measured) {
	t.Helper()
	display, bus := newMemoryConn("display"), newMemoryConn("bridge")
	c.Plan = plan
	if c.SameHost == nil {
		c.SameHost = yes
	}
	l := NewListener(c)
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- l.Listen(ctx, display) }()
	sent, err := Send(ctx, SenderConfig{Plan: plan, Span: span, Speed: 1, Outputs: []*Output{ToConn(bus, display)}, Start: c.Start})
	require.NoError(t, err)
	synctest.Wait()
	m := l.Finish(span)
	stop()
	require.NoError(t, <-done)
	return sent, m
}

// Without lateness the listener measures the simulated ages, but for the unit in
// which ages are sent.
func TestTheListenerMeasuresWhatIsPredicted(t *testing.T) {
	const span = 20 * time.Second
	for _, x := range []struct {
		name, scenario string
		desk           Desk
		sets           []string
	}{
		{"as it is", "orchard", Desk{}, nil},
		{"with weather", "orchard", Desk{Weather: &radio.Weather{Loss: 0.1, Burst: 60 * ms}}, nil},
		{"slots", "orchard", Desk{}, []string{"bridge.layout.kind=slot"}},
		{"packed, copies", "orchard", Desk{}, []string{"bridge.layout.kind=packed", "bridge.repeat.copies=2"}},
		{"an overloaded display", "forward-everything", Desk{}, nil},
	} {
		t.Run(x.name, func(t *testing.T) {
			plan, err := scenarios.Open(x.scenario, x.sets)
			require.NoError(t, err)
			x.desk.Span = span
			prepared, err := Prepare(plan, x.desk)
			require.NoError(t, err)
			synctest.Test(t, func(t *testing.T) {
				sent, m := together(t, prepared, span, ListenerConfig{Start: time.Now()})
				o, err := Judge(m, plan, x.desk, &sent.Lateness, true)
				require.NoError(t, err)
				require.Equal(t, ageTolerance, o.Tolerance)
				o.Tolerance = 2 * ageUnit
				o.Comparisons = nil
				o.compare()
				require.NotEmpty(t, o.Comparisons)
				for _, c := range o.Comparisons {
					require.Equal(t, c.Predicted.Observed > 0, c.Compared, c.Signal)
					if !c.Compared {
						continue
					}
					require.True(t, c.Agrees, "%s %s: live %v %v, predicted %v %v", c.Receiver, c.Signal, c.Live.Age.P50, c.Live.Age.P95, c.Predicted.Age.P50, c.Predicted.Age.P95)
					require.Equal(t, c.Predicted.UnknownShare.Value, c.Live.UnknownShare.Value)
				}
				checkCounts(t, sent, m)
				for i, r := range m.Run.Receivers {
					want := o.Predicted.Receivers[i].RecordFates
					want[fate.RecordFaded] = 0 // never arrived, as what is on the air at the end
					onAir := want[fate.RecordInFlightAtEnd] - r.RecordFates[fate.RecordInFlightAtEnd]
					require.Less(t, onAir, uint64(10))
					want[fate.RecordInFlightAtEnd] -= onAir
					require.Zero(t, m.Counts.Restarts)
					require.Equal(t, want, r.RecordFates, o.Live.Receivers[i].Name)
				}
			})
		})
	}
}

// checkCounts sees that the ledgers of sender and listener sum up and meet.
func checkCounts(t *testing.T, sent *Sent, m *Measured) {
	t.Helper()
	c := &m.Counts
	require.Equal(t, c.Datagrams, c.Sum())
	require.Equal(t, c.Own, c.Heard+c.Duplicates)
	require.Equal(t, sent.Outputs[0].Sent, c.Datagrams+m.Drops)
	require.Equal(t, sent.Datagrams, sent.Outputs[0].Sent+sent.Outputs[0].Faded+sent.Outputs[0].Failed)
}

// A prediction for displays that draw twice as long does not agree.
func TestAWrongPredictionDisagrees(t *testing.T) {
	const span = 20 * time.Second
	plan, err := scenarios.Open("orchard", nil)
	require.NoError(t, err)
	prepared, err := Prepare(plan, Desk{Span: span})
	require.NoError(t, err)
	synctest.Test(t, func(t *testing.T) {
		sent, m := together(t, prepared, span, ListenerConfig{Start: time.Now()})
		draw := 62 * ms
		o, err := Judge(m, plan, Desk{Draw: &draw}, &sent.Lateness, true)
		require.NoError(t, err)
		require.False(t, o.Agrees())
		require.False(t, o.Comparisons[0].Agrees)
	})
}

// A listener that knows the scenario finds the sender's instant 0 by the first
// datagram that it hears.
func TestALateListenerIsAligned(t *testing.T) {
	const span = 15 * time.Second
	plan := prepared(t, "orchard", Desk{Span: span})
	align, err := Alignment(plan)
	require.NoError(t, err)
	for name, clock := range map[string]func(net.Addr) bool{"same host": yes, "another host": no} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				start := time.Now()
				time.Sleep(3*time.Second + 7*ms)
				l := NewListener(ListenerConfig{Plan: plan, Align: align, SameHost: clock})
				conn := newMemoryConn("bridge")
				begun := time.Now()
				first := true
				conn.wrote = func(b []byte) {
					if time.Since(begun) > 3*time.Second {
						require.NoError(t, l.Take(b, memoryAddr("bridge"), time.Now()))
						if first {
							require.InDelta(t, begun.Sub(start).Seconds(), l.start.Sub(start).Seconds(), 2e-6)
							first = false
						}
					}
				}
				_, err := Send(context.Background(), SenderConfig{Plan: plan, Span: span, Speed: 1, Outputs: []*Output{ToConn(conn, conn)}})
				require.NoError(t, err)
				m := l.Finish(0)
				require.True(t, m.Counts.Aligned)
				require.False(t, first)
			})
		})
	}
}

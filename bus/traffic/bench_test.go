package traffic

import (
	"testing"
	"time"

	"stalegauge/bus"
)

// BenchmarkSet makes complete frames of an ordinary bus of 96 messages with
// 1,935 frames a second: payload, exact length, release order and arbitration.
func BenchmarkSet(b *testing.B) {
	b.Run("lively", func(b *testing.B) { benchmarkSet(b, lively(ordinary.messages())) })
	b.Run("mixed", func(b *testing.B) { // 12 of 96 messages have known signals
		messages := ordinary.messages()
		for i := 0; i < len(messages); i += 8 {
			lively(messages[i : i+1])
		}
		benchmarkSet(b, messages)
	})
	b.Run("fixed", func(b *testing.B) { benchmarkSet(b, ordinary.messages()) })
}

func benchmarkSet(b *testing.B, messages []Message) {
	s := set(b, Config{Messages: messages})
	var f bus.Frame
	b.ReportAllocs()
	for b.Loop() {
		s.Next(&f)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "frames/s")
}

// BenchmarkPayload makes the payloads of lively messages.
func BenchmarkPayload(b *testing.B) {
	s := set(b, Config{Messages: lively(ordinary.messages())})
	var f bus.Frame
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		m := &s.messages[i%len(s.messages)]
		f.Released = time.Duration(i) * 500 * time.Microsecond
		m.payload.write(&f, int64(i/len(s.messages)))
	}
}

// BenchmarkLength takes the exact lengths of 8-byte payloads.
func BenchmarkLength(b *testing.B) {
	s := set(b, Config{Messages: lively(ordinary.messages())})
	var f bus.Frame
	total := 0
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		m := &s.messages[i%len(s.messages)]
		f.Data[0], f.Data[5] = byte(i), byte(i>>3)
		total += m.payload.wire(&m.shape, f.Data[:8], int64(i)).Nominal
	}
}

// BenchmarkArbitration releases instances, finds the most urgent and takes it
// out of its queue, without payload; lengths are those of one frame.
func BenchmarkArbitration(b *testing.B) {
	s := set(b, Config{Messages: ordinary.messages()})
	b.ReportAllocs()
	for b.Loop() {
		start := s.idle
		if s.pending.count == 0 {
			_, at := s.order.first()
			start = max(start, at)
		}
		s.releaseUntil(start)
		s.sent(s.pending.first())
		s.idle = start + s.times[114]
	}
}

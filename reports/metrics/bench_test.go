package metrics

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"

	"stalegauge/sim/age"
)

// crowd is a probe with 60 signals on each of 8 displays, an hour into its work.
func crowd() Source {
	const signals, receivers, hour = 60, 8, time.Hour
	rng := rand.New(rand.NewPCG(8, 60))
	tracks := make([]*age.Track, signals*receivers)
	for i := range tracks {
		tracks[i] = age.NewTrack(200 * ms)
		tracks[i].Open(time.Second, time.Second-50*ms)
		for at := time.Second; at < hour; at += 900*ms + time.Duration(rng.Int64N(int64(200*ms))) {
			tracks[i].Update(at, at-10*ms-time.Duration(rng.Int64N(int64(80*ms))))
		}
	}
	var lock sync.Mutex
	now := hour
	return func() []*Snapshot {
		lock.Lock()
		defer lock.Unlock()
		now += 10 * time.Second
		s := &Snapshot{Design: "bench", At: now}
		for i := range receivers {
			r := Receiver{Name: fmt.Sprint("display", i)}
			for k := range signals {
				track := tracks[i*signals+k]
				one := ReadSignal(track, track, 0, now, true)
				one.Name = fmt.Sprint("signal", k)
				r.Signals = append(r.Signals, one)
			}
			s.Receivers = append(s.Receivers, r)
		}
		return []*Snapshot{s}
	}
}

// BenchmarkScrape is one scrape of 60 signals on 8 displays, beside the part of it
// that asks the source, in which alone a lock may be held.
func BenchmarkScrape(b *testing.B) {
	source := crowd()
	b.Run("source", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			source()
		}
	})
	for name, header := range map[string]http.Header{
		"text": {}, "gzip": {"Accept-Encoding": {"gzip"}},
		"openmetrics": {"Accept": {"application/openmetrics-text; version=1.0.0"}},
		"protobuf":    {"Accept": {"application/vnd.google.protobuf; proto=io.prometheus.client.MetricFamily; encoding=delimited"}},
	} {
		b.Run(name, func(b *testing.B) {
			handler := promhttp.HandlerFor(NewRegistry(source), promhttp.HandlerOpts{EnableOpenMetrics: true})
			var body string
			for b.Loop() {
				request := httptest.NewRequest(http.MethodGet, "/metrics", nil)
				request.Header = header
				recorder := httptest.NewRecorder()
				handler.ServeHTTP(recorder, request)
				body = recorder.Body.String()
			}
			b.ReportMetric(float64(len(body)), "bytes")
			if name == "text" {
				b.ReportMetric(float64(strings.Count(body, "\n"+prefix)), "series")
			}
		})
	}
}

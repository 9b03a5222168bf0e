package metrics

import (
	"math"
	"slices"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
)

// collector exports a source. It asks the source first and sends afterwards: a
// lock that were held while sending would hang as soon as the reader of the
// channel waits for the same one.
type collector struct {
	source Source
	start  time.Time // where the source names none
	descs  map[*family]*prometheus.Desc
}

// NewRegistry returns a private registry with a source and the figures of the
// process itself.
func NewRegistry(source Source) *prometheus.Registry {
	r := prometheus.NewRegistry()
	r.MustRegister(newCollector(source, time.Now()), collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return r
}

func newCollector(source Source, start time.Time) *collector {
	c := &collector{source: source, start: start, descs: map[*family]*prometheus.Desc{}}
	for _, f := range families {
		c.descs[f] = prometheus.NewDesc(f.name, f.help, append(slices.Clone(f.labels), "design"), nil)
	}
	return c
}

// Describe sends the description of every metric.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, f := range families {
		ch <- c.descs[f]
	}
}

// Collect sends what the source has measured up to now.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	for _, s := range c.source() {
		start := s.Start
		if start.IsZero() {
			start = c.start
		}
		walk(s, func(f *family, _ time.Duration, p point, labels ...string) {
			if m, ok := c.metric(f, p, start, append(labels, s.Design)); ok {
				ch <- m
			}
		})
	}
}

func (c *collector) metric(f *family, p point, start time.Time, labels []string) (prometheus.Metric, bool) {
	desc := c.descs[f]
	switch f.kind {
	case histogram, lateness:
		bounds := AgeBounds
		if f.kind == lateness {
			bounds = LateBounds
		}
		buckets := make(map[float64]uint64, len(p.within))
		for i, n := range p.within {
			buckets[bounds[i].Seconds()] = n
		}
		return prometheus.MustNewConstHistogram(desc, p.count, p.sum, buckets, labels...), true
	case native:
		return prometheus.MustNewConstNativeHistogram(desc, p.count, p.sum, p.sparse, nil, p.zero, schema, 1e-9, start, labels...), true
	case gauge:
		if math.IsNaN(p.value) {
			return nil, false
		}
		if f == lastUpdate {
			p.value += float64(start.UnixNano()) / 1e9
		}
		return prometheus.MustNewConstMetric(desc, prometheus.GaugeValue, p.value, labels...), true
	default:
		return prometheus.MustNewConstMetric(desc, prometheus.CounterValue, p.value, labels...), true
	}
}

package publish

import (
	"net/http"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// gapPeriods is the age, in periods of its group, beyond which a reading says
// nothing about now.
const gapPeriods = 3

// unobserved is the state in which nothing is known.
const unobserved = "unobserved"

// Collector turns a Snapshot into metrics. It implements prometheus.Collector.
type Collector struct {
	source Source
	live   func() Live // nil: no live sockets
	descs  [numFamilies]*prometheus.Desc
}

// NewCollector makes a Collector. live may be nil.
func NewCollector(source Source, live func() Live) *Collector {
	c := &Collector{source: source, live: live}
	for f := range numFamilies {
		c.descs[f] = prometheus.NewDesc(f.Name(), familyTexts[f].help, f.Labels(), nil)
	}
	return c
}

// Handler serves the metrics of source in the text exposition format, from a
// registry of its own. live may be nil.
func Handler(source Source, live func() Live) http.Handler {
	registry := prometheus.NewRegistry()
	registry.MustRegister(NewCollector(source, live)) // panics only if two names were alike
	return promhttp.HandlerFor(registry, promhttp.HandlerOpts{})
}

// Describe implements prometheus.Collector.
func (c *Collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range c.descs {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (c *Collector) Collect(ch chan<- prometheus.Metric) {
	put := func(f Family, value float64, labels ...string) {
		kind := prometheus.GaugeValue
		if strings.HasSuffix(f.Name(), "_total") {
			kind = prometheus.CounterValue
		}
		// panics only when the labels given do not fit the family's: a mistake in family.go
		ch <- prometheus.MustNewConstMetric(c.descs[f], kind, value, labels...)
	}
	s := c.source.Metrics()
	for i := range s.Machines {
		s.Machines[i].put(put)
	}
	for i := range s.Devices {
		d := &s.Devices[i]
		d.put(put)
		if d.Durations != nil {
			count, sum, buckets := d.Durations.read()
			ch <- prometheus.MustNewConstHistogram(c.descs[secondsFamily], count, sum, buckets, d.Name)
		}
	}
	for i := range s.Systems {
		s.Systems[i].put(put)
	}
	if s.StartedMS != 0 {
		put(agentStartFamily, float64(s.StartedMS)/1000)
	}
	s.Alarms.put(put)
	if s.Messages != nil {
		s.Messages.put(put)
	}
	if s.RemoteWrite != nil {
		s.RemoteWrite.put(put)
	}
	s.Store.put(put)
	if c.live != nil {
		l := c.live()
		l.put(put)
	}
}

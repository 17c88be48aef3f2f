package publish

import (
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
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

	pressure, temperature, power          *prometheus.Desc
	energy, air, starts, cycles           *prometheus.Desc
	state, stateSeconds                   *prometheus.Desc
	deviceUp, deviceLast, errors, seconds *prometheus.Desc
	storeUp, storeBytes, free, waiting    *prometheus.Desc
	database, freePages, oldest           *prometheus.Desc
	droppedDays, cleanup, cleanupUp       *prometheus.Desc
	scans, durable, dropped               *prometheus.Desc
	clients, coalesced, kicked, refused   *prometheus.Desc
}

// NewCollector makes a Collector. live may be nil.
func NewCollector(source Source, live func() Live) *Collector {
	d := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("loadscribe_"+name, help, labels, nil)
	}
	const began = " since the store began."
	return &Collector{
		source: source, live: live,
		pressure:     d("pressure_pascals", "Gauge pressure. Absent once its scan is older than three periods.", "machine", "role"),
		temperature:  d("temperature_celsius", "Temperature. Absent once its scan is older than three periods.", "machine", "role"),
		power:        d("power_watts", "Electrical power. Absent once its scan is older than three periods.", "machine", "role"),
		energy:       d("energy_joules_total", "Electrical energy taken"+began, "machine"),
		air:          d("air_cubic_meters_total", "Free air delivered, metered or from the rated flow, which is then an assumption,"+began, "machine"),
		starts:       d("starts_total", "Motor starts seen"+began, "machine"),
		cycles:       d("load_cycles_total", "Load cycles seen"+began, "machine"),
		state:        d("state", "1 for the state the machine is in, 0 for the others.", "machine", "state"),
		stateSeconds: d("state_seconds_total", "Observed time in each state"+began, "machine", "state"),
		deviceUp:     d("device_up", "1 when the device's last scan was good.", "device"),
		deviceLast:   d("device_last_good_scan_timestamp_seconds", "Unix time of the device's last good scan.", "device"),
		errors:       d("scan_errors_total", "Scans without values, by reason,"+began, "device", "reason"),
		seconds:      d("scan_duration_seconds", "How long the exchange of a scan took.", "device"),
		storeUp:      d("store_up", "1 when the store is writing."),
		storeBytes:   d("store_directory_bytes", "Size of the data directory."),
		database:     d("store_database_bytes", "Size of store.db."),
		freePages:    d("store_free_page_bytes", "Of store.db, what is free and will be used again."),
		oldest:       d("store_oldest_scan_timestamp_seconds", "Unix time of the oldest raw scan that is kept."),
		droppedDays:  d("store_cleanups_total", "Times that the raw scans of a day were dropped, as keep_raw says, since the agent started."),
		cleanup:      d("store_cleanup_timestamp_seconds", "Unix time when it was last looked for days to drop. Absent where all is kept."),
		cleanupUp:    d("store_cleanup_up", "1 when that went well. Absent where all is kept."),
		scans:        d("store_scans_total", "Scans taken"+began),
		durable:      d("store_durable_scans_total", "Scans safe on disk"+began),
		dropped:      d("store_dropped_scans_total", "Scans that were read and could not be kept"+began),
		free:         d("store_free_bytes", "Free space on the disk of the data directory. Absent where it cannot be told."),
		waiting:      d("store_waiting_scans", "Scans that were read and are not yet safe on disk."),
		clients:      d("live_clients", "Live sockets that are open."),
		coalesced:    d("live_coalesced_total", "Live messages left out for a newer one since the agent started."),
		kicked:       d("live_kicked_total", "Live sockets closed because they were too far behind since the agent started."),
		refused:      d("live_refused_total", "Live sockets refused because too many were open since the agent started."),
	}
}

// Handler serves the metrics of source in the text exposition format, from a
// registry of its own. live may be nil.
func Handler(source Source, live func() Live) http.Handler {
	registry := prometheus.NewRegistry()
	registry.MustRegister(NewCollector(source, live)) // panics only if two names above were alike
	return promhttp.HandlerFor(registry, promhttp.HandlerOpts{})
}

// Describe implements prometheus.Collector.
func (c *Collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		c.pressure, c.temperature, c.power, c.energy, c.air, c.starts, c.cycles, c.state, c.stateSeconds,
		c.deviceUp, c.deviceLast, c.errors, c.seconds, c.storeUp, c.storeBytes, c.free, c.waiting, c.database, c.freePages, c.oldest,
		c.droppedDays, c.cleanup, c.cleanupUp, c.scans, c.durable, c.dropped,
		c.clients, c.coalesced, c.kicked, c.refused,
	} {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (c *Collector) Collect(ch chan<- prometheus.Metric) {
	s := c.source.Metrics()
	for i := range s.Machines {
		c.machine(ch, &s.Machines[i])
	}
	for i := range s.Devices {
		c.device(ch, &s.Devices[i])
	}
	gauge(ch, c.storeUp, zeroOne(s.Store.OK))
	gauge(ch, c.storeBytes, float64(s.Store.DirectoryBytes))
	if s.Store.FreeBytes >= 0 {
		gauge(ch, c.free, float64(s.Store.FreeBytes))
	}
	gauge(ch, c.waiting, float64(s.Store.WaitingScans))
	gauge(ch, c.database, float64(s.Store.DatabaseBytes))
	gauge(ch, c.freePages, float64(s.Store.FreePageBytes))
	if s.Store.OldestMS != 0 {
		gauge(ch, c.oldest, float64(s.Store.OldestMS)/1000)
	}
	if s.Store.CleanupMS != 0 {
		gauge(ch, c.cleanup, float64(s.Store.CleanupMS)/1000)
		gauge(ch, c.cleanupUp, zeroOne(s.Store.CleanupOK))
	}
	counter(ch, c.droppedDays, float64(s.Store.DroppedDays))
	counter(ch, c.scans, float64(s.Store.Scans))
	counter(ch, c.durable, float64(s.Store.DurableScans))
	counter(ch, c.dropped, float64(s.Store.DroppedScans))
	if c.live != nil {
		l := c.live()
		gauge(ch, c.clients, float64(l.Clients))
		counter(ch, c.coalesced, float64(l.Coalesced))
		counter(ch, c.kicked, float64(l.Kicked))
		counter(ch, c.refused, float64(l.Refused))
	}
}

func (c *Collector) machine(ch chan<- prometheus.Metric, m *Machine) {
	for i := range m.Readings {
		c.reading(ch, m.Name, &m.Readings[i])
	}
	for _, state := range States() {
		gauge(ch, c.state, zeroOne(state == m.State), m.Name, state)
		if state != unobserved { // a gap is known only once it is over, and not by a counter
			counter(ch, c.stateSeconds, float64(m.Totals.StateMS[state])/1000, m.Name, state)
		}
	}
	counter(ch, c.starts, float64(m.Totals.Starts), m.Name)
	counter(ch, c.cycles, float64(m.Totals.LoadCycles), m.Name)
	if m.Totals.EnergyJ != nil {
		counter(ch, c.energy, *m.Totals.EnergyJ, m.Name)
	}
	if m.Totals.AirM3 != nil {
		counter(ch, c.air, *m.Totals.AirM3, m.Name)
	}
}

func (c *Collector) reading(ch chan<- prometheus.Metric, machine string, r *Reading) {
	if r.AgeMS > gapPeriods*r.PeriodMS {
		return
	}
	switch {
	case r.Dimension == quantity.Pressure && !r.Absolute:
		gauge(ch, c.pressure, r.SI, machine, string(r.Role))
	case r.Dimension == quantity.Temperature:
		gauge(ch, c.temperature, r.SI-quantity.ZeroCK, machine, string(r.Role))
	case r.Dimension == quantity.Power:
		gauge(ch, c.power, r.SI, machine, string(r.Role))
	}
}

func (c *Collector) device(ch chan<- prometheus.Metric, d *Device) {
	gauge(ch, c.deviceUp, zeroOne(d.Up), d.Name)
	if d.LastGoodMS != 0 {
		gauge(ch, c.deviceLast, float64(d.LastGoodMS)/1000, d.Name)
	}
	for _, reason := range scan.Reasons() {
		counter(ch, c.errors, float64(d.Errors[reason]), d.Name, reason.String())
	}
	if d.Durations != nil {
		count, sum, buckets := d.Durations.read()
		ch <- prometheus.MustNewConstHistogram(c.seconds, count, sum, buckets, d.Name)
	}
}

// The Must functions panic only when the labels given do not fit the name's:
// a mistake in this file.
func gauge(ch chan<- prometheus.Metric, d *prometheus.Desc, v float64, labels ...string) {
	ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
}

func counter(ch chan<- prometheus.Metric, d *prometheus.Desc, v float64, labels ...string) {
	ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, v, labels...)
}

func zeroOne(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

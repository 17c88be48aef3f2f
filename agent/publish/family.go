package publish

import (
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// Family is a metric: its name, help and labels. What is scraped and what is sent on
// (agent/publish/samples) have their names from here.
type Family uint8

// The families.
const (
	PressureFamily Family = iota
	TemperatureFamily
	PowerFamily
	EnergyFamily
	AirFamily
	StartsFamily
	CyclesFamily
	StateFamily
	StateSecondsFamily
	DeviceUpFamily
	deviceLastFamily
	errorsFamily
	secondsFamily
	storeUpFamily
	storeBytesFamily
	databaseFamily
	freePagesFamily
	oldestFamily
	droppedDaysFamily
	cleanupFamily
	cleanupUpFamily
	scansFamily
	durableFamily
	droppedFamily
	freeFamily
	waitingFamily
	clientsFamily
	coalescedFamily
	kickedFamily
	refusedFamily
	numFamilies
)

type familyText struct {
	name, help string
	labels     []string
}

const (
	absentLater  = " Absent once its scan is older than three periods."
	sinceBegan   = " since the store began."
	sinceStarted = " since the agent started."
)

var familyTexts = [numFamilies]familyText{
	PressureFamily:     {"pressure_pascals", "Gauge pressure." + absentLater, []string{"machine", "role"}},
	TemperatureFamily:  {"temperature_celsius", "Temperature." + absentLater, []string{"machine", "role"}},
	PowerFamily:        {"power_watts", "Electrical power." + absentLater, []string{"machine", "role"}},
	EnergyFamily:       {"energy_joules_total", "Electrical energy taken" + sinceBegan, []string{"machine"}},
	AirFamily:          {"air_cubic_meters_total", "Free air delivered, metered or from the rated flow, which is then an assumption," + sinceBegan, []string{"machine"}},
	StartsFamily:       {"starts_total", "Motor starts seen" + sinceBegan, []string{"machine"}},
	CyclesFamily:       {"load_cycles_total", "Load cycles seen" + sinceBegan, []string{"machine"}},
	StateFamily:        {"state", "1 for the state the machine is in, 0 for the others.", []string{"machine", "state"}},
	StateSecondsFamily: {"state_seconds_total", "Observed time in each state" + sinceBegan, []string{"machine", "state"}},
	DeviceUpFamily:     {"device_up", "1 when the device's last scan was good.", []string{"device"}},
	deviceLastFamily:   {"device_last_good_scan_timestamp_seconds", "Unix time of the device's last good scan.", []string{"device"}},
	errorsFamily:       {"scan_errors_total", "Scans without values, by reason," + sinceBegan, []string{"device", "reason"}},
	secondsFamily:      {"scan_duration_seconds", "How long the exchange of a scan took.", []string{"device"}},
	storeUpFamily:      {"store_up", "1 when the store is writing.", nil},
	storeBytesFamily:   {"store_directory_bytes", "Size of the data directory.", nil},
	databaseFamily:     {"store_database_bytes", "Size of store.db.", nil},
	freePagesFamily:    {"store_free_page_bytes", "Of store.db, what is free and will be used again.", nil},
	oldestFamily:       {"store_oldest_scan_timestamp_seconds", "Unix time of the oldest raw scan that is kept.", nil},
	droppedDaysFamily:  {"store_cleanups_total", "Times that the raw scans of a day were dropped, as keep_raw says," + sinceStarted, nil},
	cleanupFamily:      {"store_cleanup_timestamp_seconds", "Unix time when it was last looked for days to drop. Absent where all is kept.", nil},
	cleanupUpFamily:    {"store_cleanup_up", "1 when that went well. Absent where all is kept.", nil},
	scansFamily:        {"store_scans_total", "Scans taken" + sinceBegan, nil},
	durableFamily:      {"store_durable_scans_total", "Scans safe on disk" + sinceBegan, nil},
	droppedFamily:      {"store_dropped_scans_total", "Scans that were read and could not be kept" + sinceBegan, nil},
	freeFamily:         {"store_free_bytes", "Free space on the disk of the data directory. Absent where it cannot be told.", nil},
	waitingFamily:      {"store_waiting_scans", "Scans that were read and are not yet safe on disk.", nil},
	clientsFamily:      {"live_clients", "Live sockets that are open.", nil},
	coalescedFamily:    {"live_coalesced_total", "Live messages left out for a newer one" + sinceStarted, nil},
	kickedFamily:       {"live_kicked_total", "Live sockets closed because they were too far behind" + sinceStarted, nil},
	refusedFamily:      {"live_refused_total", "Live sockets refused because too many were open" + sinceStarted, nil},
}

// Name is the metric's name, prefix and all.
func (f Family) Name() string { return "loadscribe_" + familyTexts[f].name }

// Labels names the labels, in the order in which Put gets their values. The caller
// must not change it.
func (f Family) Labels() []string { return familyTexts[f].labels }

// Put takes one value of a family.
type Put func(f Family, value float64, labels ...string)

// Put puts a machine's reading, in base units; what has no metric is passed over.
// Its age is the caller's.
func (r *Reading) Put(machine string, put Put) {
	switch {
	case r.Dimension == quantity.Pressure && !r.Absolute:
		put(PressureFamily, r.SI, machine, string(r.Role))
	case r.Dimension == quantity.Temperature:
		put(TemperatureFamily, r.SI-quantity.ZeroCK, machine, string(r.Role))
	case r.Dimension == quantity.Power:
		put(PowerFamily, r.SI, machine, string(r.Role))
	}
}

// Counters puts what a machine has added up.
func (t *Totals) Counters(machine string, put Put) {
	for _, state := range States() {
		if state != unobserved { // a gap is known only once it is over, and not by a counter
			put(StateSecondsFamily, float64(t.StateMS[state])/1000, machine, state)
		}
	}
	put(StartsFamily, float64(t.Starts), machine)
	put(CyclesFamily, float64(t.LoadCycles), machine)
	if t.EnergyJ != nil {
		put(EnergyFamily, *t.EnergyJ, machine)
	}
	if t.AirM3 != nil {
		put(AirFamily, *t.AirM3, machine)
	}
}

func (m *Machine) put(put Put) {
	for i := range m.Readings {
		if r := &m.Readings[i]; r.AgeMS <= gapPeriods*r.PeriodMS {
			r.Put(m.Name, put)
		}
	}
	for _, state := range States() {
		put(StateFamily, zeroOne(state == m.State), m.Name, state)
	}
	m.Totals.Counters(m.Name, put)
}

func (d *Device) put(put Put) {
	put(DeviceUpFamily, zeroOne(d.Up), d.Name)
	if d.LastGoodMS != 0 {
		put(deviceLastFamily, float64(d.LastGoodMS)/1000, d.Name)
	}
	for _, reason := range scan.Reasons() {
		put(errorsFamily, float64(d.Errors[reason]), d.Name, reason.String())
	}
}

func (s *Store) put(put Put) {
	put(storeUpFamily, zeroOne(s.OK))
	put(storeBytesFamily, float64(s.DirectoryBytes))
	if s.FreeBytes >= 0 {
		put(freeFamily, float64(s.FreeBytes))
	}
	put(waitingFamily, float64(s.WaitingScans))
	put(databaseFamily, float64(s.DatabaseBytes))
	put(freePagesFamily, float64(s.FreePageBytes))
	if s.OldestMS != 0 {
		put(oldestFamily, float64(s.OldestMS)/1000)
	}
	if s.CleanupMS != 0 {
		put(cleanupFamily, float64(s.CleanupMS)/1000)
		put(cleanupUpFamily, zeroOne(s.CleanupOK))
	}
	put(droppedDaysFamily, float64(s.DroppedDays))
	put(scansFamily, float64(s.Scans))
	put(durableFamily, float64(s.DurableScans))
	put(droppedFamily, float64(s.DroppedScans))
}

func (l *Live) put(put Put) {
	put(clientsFamily, float64(l.Clients))
	put(coalescedFamily, float64(l.Coalesced))
	put(kickedFamily, float64(l.Kicked))
	put(refusedFamily, float64(l.Refused))
}

func zeroOne(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

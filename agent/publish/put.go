package publish

import (
	"maps"
	"slices"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

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
	case r.Dimension == quantity.Flow && r.Role == scan.Flow:
		put(FlowFamily, r.SI, machine)
	}
}

// fresh reports whether the reading says something of now.
func (r *Reading) fresh() bool { return r.AgeMS <= gapPeriods*r.PeriodMS }

// TotalsOf are the totals of the analysis as they are shown.
func TotalsOf(t *analysis.Totals) Totals {
	var out Totals
	if t.StatesKnown {
		out.StateMS, out.Starts = map[string]int64{}, &t.Starts
		for i, seconds := range t.StateS {
			out.StateMS[analysis.State(i).String()] = int64(seconds * 1000)
		}
	}
	if t.LoadKnown {
		out.LoadCycles = &t.LoadCycles
	}
	if t.EnergyKnown {
		out.EnergyJ = &t.EnergyJ
	}
	if t.RunningKnown {
		out.RunningJ = &t.RunningJ
	}
	if t.AirKnown {
		out.AirM3 = &t.AirM3
	}
	return out
}

// Counters puts what a machine has added up.
func (t *Totals) Counters(machine string, put Put) {
	for _, state := range States() {
		if state != unobserved && t.StateMS != nil { // a gap is known only once it is over, and not by a counter
			put(StateSecondsFamily, float64(t.StateMS[state])/1000, machine, state)
		}
	}
	count := func(f Family, n *int64) {
		if n != nil {
			put(f, float64(*n), machine)
		}
	}
	count(StartsFamily, t.Starts)
	count(CyclesFamily, t.LoadCycles)
	sum := func(f Family, v *float64) {
		if v != nil {
			put(f, *v, machine)
		}
	}
	sum(EnergyFamily, t.EnergyJ)
	sum(RunningEnergyFamily, t.RunningJ)
	sum(AirFamily, t.AirM3)
}

func (m *Machine) put(put Put) {
	for i := range m.Readings {
		if r := &m.Readings[i]; r.fresh() {
			r.Put(m.Name, put)
		}
	}
	for _, state := range States() {
		put(StateFamily, zeroOne(state == m.State), m.Name, state)
	}
	m.Totals.Counters(m.Name, put)
	if m.Totals.StateMS != nil {
		put(recentStartsFamily, float64(m.RecentStarts), m.Name)
	}
	if m.StartsLimit > 0 {
		put(startsLimitFamily, m.StartsLimit, m.Name)
	}
}

func (s *System) put(put Put) {
	for i := range s.Taps {
		if t := &s.Taps[i]; t.Reading.fresh() {
			t.Put(s.Name, put)
		}
	}
	if s.QuietM3S != nil {
		put(QuietDemandFamily, *s.QuietM3S, s.Name)
	}
}

// Put puts a tap's reading, as Reading.Put does.
func (t *Tap) Put(system string, put Put) {
	switch r := &t.Reading; {
	case r.Dimension == quantity.Pressure && !r.Absolute:
		put(SystemPressureFamily, r.SI, system, t.Channel, string(r.Role))
	case r.Dimension == quantity.Flow:
		put(SystemFlowFamily, r.SI, system, t.Channel)
	}
}

func (d *Device) put(put Put) {
	put(DeviceUpFamily, zeroOne(d.Up), d.Name)
	if d.LastGoodMS != 0 {
		put(deviceLastFamily, float64(d.LastGoodMS)/1000, d.Name)
	}
	for _, reason := range scan.Reasons() {
		put(errorsFamily, float64(d.Errors[reason]), d.Name, reason.String())
	}
	put(restartsFamily, float64(d.LineRestarts), d.Name)
	put(missedFamily, float64(d.LineMissed), d.Name)
}

func (a *Alarms) put(put Put) {
	for i := range a.Kinds {
		k := &a.Kinds[i]
		put(alarmsFamily, float64(k.Raised), k.On, "raised")
		put(alarmsFamily, float64(k.Acknowledged), k.On, "acknowledged")
		put(alarmsFamily, float64(k.Shelved), k.On, "shelved")
		put(alarmsFamily, float64(k.Returned), k.On, "returned")
	}
	for _, s := range a.Rules {
		put(rulesFamily, float64(s.Count), s.State)
	}
}

func (m *Messages) put(put Put) {
	put(messagesWaitingFamily, float64(m.Waiting))
	put(messagesSentFamily, float64(m.Sent))
	put(messagesLostFamily, float64(m.GivenUp))
	put(targetsFamily, float64(m.Working), "working")
	put(targetsFamily, float64(m.Failing), "failing")
}

func (r *RemoteWrite) put(put Put) {
	put(receiversFamily, float64(r.Sending), "sending")
	put(receiversFamily, float64(r.Failing), "failing")
	put(receiversFamily, float64(r.Held), "held")
	put(sentSamplesFamily, float64(r.Samples))
	for _, reason := range slices.Sorted(maps.Keys(r.Refused)) {
		put(refusedSamplesFamily, float64(r.Refused[reason]), reason)
	}
	put(unsentScansFamily, float64(r.WaitingScans))
	put(sendLagFamily, float64(r.BehindMS)/1000)
	put(lostScansFamily, float64(r.MissedScans))
	put(sendRequestsFamily, float64(r.Requests))
	put(sendRetriesFamily, float64(r.Retries))
	put(sentBytesFamily, float64(r.Bytes))
}

func (s *Store) put(put Put) {
	put(storeUpFamily, zeroOne(s.OK))
	if s.Measured {
		put(storeBytesFamily, float64(s.DirectoryBytes))
		put(databaseFamily, float64(s.DatabaseBytes))
	}
	if s.FreeBytes >= 0 {
		put(freeFamily, float64(s.FreeBytes))
	}
	put(waitingFamily, float64(s.WaitingScans))
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

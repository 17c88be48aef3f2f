package poll

import (
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/scan"
)

// book is the part of a line's state that others may look at.
type book struct {
	onLine   func(LineStatus)
	onDevice func(DeviceStatus)
	quiet    atomic.Bool // another book has taken its place: nobody is told any more

	mu      sync.Mutex // guards all below; never held while a callback runs
	status  LineStatus
	told    bool // onLine has been called
	devices []deviceEntry
	busy    busy
	client  counting            // reads now; nil: none, or one that does not count
	before  modbus.Stats        // of earlier clients
	heard   *modbus.ListenStats // of a line that is only listened to
}

// deviceEntry is what a book holds of one device.
type deviceEntry struct {
	status DeviceStatus
	told   bool // onDevice has been called
	bad    int  // scans in a row without values
	trips  trips
	turns  trips // trips less what the characters take
	asked  tally
}

// takeOver goes on with what old has counted; old tells nobody any more.
func (b *book) takeOver(old *book) {
	old.quiet.Store(true)
	old.mu.Lock()
	defer old.mu.Unlock()
	b.status, b.told, b.before = old.status, old.told, old.before
	if old.client != nil {
		b.before = joined(old.before, old.client.Stats())
	}
	b.status.Restarted++
	for i := range old.devices {
		b.devices[i] = old.devices[i]
		b.devices[i].status = old.devices[i].status.clone()
		b.devices[i].asked.failures = maps.Clone(old.devices[i].asked.failures)
	}
}

func (b *book) line(up bool, detail string, wallMS int64) {
	b.mu.Lock()
	b.status.Detail = detail
	changed := b.status.Up != up || !b.told
	if changed {
		b.status.Up, b.status.ChangedMS, b.told = up, wallMS, true
	}
	status := b.status
	b.mu.Unlock()
	if changed && b.onLine != nil && !b.quiet.Load() {
		b.onLine(status)
	}
}

func (b *book) opened() {
	b.mu.Lock()
	b.status.Opened++
	b.mu.Unlock()
}

func (b *book) missed(n int64) {
	b.mu.Lock()
	b.status.Missed += uint64(n)
	b.mu.Unlock()
}

// trip enters the round trip of an answer, of which the characters took wire.
func (b *book) trip(device int, d, wire time.Duration) {
	b.mu.Lock()
	b.devices[device].trips.add(d)
	b.devices[device].turns.add(max(d-wire, 0))
	b.mu.Unlock()
}

// refreshes enters how often the registers of a device's group change.
func (b *book) refreshes(device, group int, everyMS int64) {
	b.mu.Lock()
	b.devices[device].status.Groups[group].RefreshMS = everyMS
	b.mu.Unlock()
}

func (b *book) slowest(device int) time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.devices[device].trips.max()
}

func (b *book) damaged(device int) {
	b.mu.Lock()
	b.devices[device].status.Damaged++
	b.mu.Unlock()
}

// scanned enters a scan's outcome.
func (b *book) scanned(device int, s *scan.Scan, detail string) {
	b.mu.Lock()
	e := &b.devices[device]
	up := e.status.Up
	e.status.LastReason, e.status.Detail = s.Reason, detail
	for _, r := range failures(s) {
		e.status.Errors[r]++
	}
	if s.Reason == scan.Good {
		up, e.bad = true, 0
		e.status.Scans++
		e.status.LastGoodMS = s.WallMS
	} else if e.bad++; e.bad >= downAfter {
		up = false
	}
	changed := up != e.status.Up || !e.told && e.bad >= downAfter
	e.status.Up = up
	e.told = e.told || changed
	var status DeviceStatus
	if changed {
		status = e.snapshot()
	}
	b.mu.Unlock()
	if changed && b.onDevice != nil && !b.quiet.Load() {
		b.onDevice(status)
	}
}

func (e *deviceEntry) snapshot() DeviceStatus {
	s := e.status.clone()
	s.RoundTripP50, s.RoundTripMax = e.trips.median(), e.trips.max()
	s.Turnaround = e.turns.median()
	return s
}

// read returns copies of all.
func (b *book) read() (LineStatus, []DeviceStatus) {
	b.mu.Lock()
	defer b.mu.Unlock()
	devices := make([]DeviceStatus, len(b.devices))
	for i := range b.devices {
		devices[i] = b.devices[i].snapshot()
	}
	return b.status, devices
}

// trips is the round trips of the last answers.
type trips struct {
	last [128]time.Duration
	n    int // answers so far
	// middle is the median of the first middleOf answers, so that who asks each second
	// need not have them sorted where none has come.
	middle   time.Duration
	middleOf int
}

func (t *trips) add(d time.Duration) {
	t.last[t.n%len(t.last)] = d
	t.n++
}

func (t *trips) kept() []time.Duration { return t.last[:min(t.n, len(t.last))] }

// max returns the slowest, zero when there is none.
func (t *trips) max() time.Duration {
	if t.n == 0 {
		return 0
	}
	return slices.Max(t.kept())
}

// median returns the lower median, zero when there is none.
func (t *trips) median() time.Duration {
	if t.middleOf != t.n {
		t.middle, t.middleOf = t.at(50), t.n
	}
	return t.middle
}

// at returns the shortest that percent of them did not exceed, zero when there
// is none.
func (t *trips) at(percent int) time.Duration {
	if t.n == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(t.kept()))
	return sorted[max((len(sorted)*percent+99)/100-1, 0)]
}

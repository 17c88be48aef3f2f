package store

import (
	"encoding/binary"
	"fmt"
	"maps"
	"slices"
	"strconv"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// KindDropped is the kind of event that says how many scans of a device were
// read and could not be kept; Data["scans"] is the number.
const KindDropped = "scans_dropped"

// failures counts, by device, the scans without values since the store began.
// Dropped counts scans that were not kept at all, as events say.
type failures map[string]map[scan.Reason]uint64

func (f failures) add(device string, reason scan.Reason, n uint64) {
	if f[device] == nil {
		f[device] = map[scan.Reason]uint64{}
	}
	f[device][reason] += n
}

// scan counts a scan. One with the reason Dropped only marks an end of what
// was dropped: the event has the number.
func (f failures) scan(s *scan.Scan) {
	if s.Reason != scan.Good && s.Reason != scan.Dropped {
		f.add(s.Group.Device, s.Reason, 1)
	}
}

func (f failures) event(e *Event) {
	if e.Kind != KindDropped {
		return
	}
	if n, err := strconv.ParseUint(e.Data["scans"], 10, 64); err == nil {
		f.add(e.Subject, scan.Dropped, n)
	}
}

func (f failures) clone() failures {
	c := make(failures, len(f))
	for device, counts := range f {
		c[device] = maps.Clone(counts)
	}
	return c
}

func (f failures) encode() []byte {
	b := binary.AppendUvarint(nil, uint64(len(f)))
	for _, device := range slices.Sorted(maps.Keys(f)) {
		b = appendString(b, device)
		b = binary.AppendUvarint(b, uint64(len(f[device])))
		for _, reason := range slices.Sorted(maps.Keys(f[device])) {
			b = append(b, byte(reason))
			b = binary.AppendUvarint(b, f[device][reason])
		}
	}
	return b
}

func decodeFailures(b []byte) (failures, error) {
	f := failures{}
	r := reader{b: b}
	for range r.count(2) {
		device := r.string()
		for range r.count(2) {
			f.add(device, scan.Reason(r.byte()), r.uint())
		}
	}
	if r.bad || len(r.b) != 0 {
		return failures{}, fmt.Errorf("%w: totals of failed scans", ErrDamaged)
	}
	return f, nil
}

// loadFailures reads what was counted up to the last seal. A store that an
// earlier version made has none: its counts begin here. Damaged counts are no
// reason to give up a file whose readings are whole.
func (s *Store) loadFailures(tx *bolt.Tx) {
	s.failed = failures{}
	b := tx.Bucket([]byte(bucketMeta)).Get([]byte(metaFailures))
	if b == nil {
		return
	}
	f, err := decodeFailures(b)
	if err != nil {
		s.log.Error("counts of failed scans begin anew", "error", err)
	}
	s.failed = f
}

// Failures returns, by device, how many scans had no values since the store
// began, by reason. Dropped is those that were read and not kept.
func (s *Store) Failures() map[string]map[scan.Reason]uint64 {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.failed.clone()
}

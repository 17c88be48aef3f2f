package store

import (
	"fmt"
	"slices"
	"strings"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// Register gives groups their IDs and returns them as new Groups, in the order
// given. A group of the same layout (device, period, channel names and kinds)
// as one seen before gets the same ID; where its scale, unit or role changed,
// that becomes a new version of its metadata, which all reading uses from now
// on, also of old scans, and a config_changed event. What it returns is safe
// on disk, or where the disk takes nothing just now, goes there with the first
// scan's journal record and the next seal.
func (s *Store) Register(groups []*scan.Group) ([]*scan.Group, error) {
	s.writeMu.Lock()
	defer s.writeMu.Unlock()
	if s.readOnly {
		return nil, ErrReadOnly
	}
	if s.closed {
		return nil, ErrClosed
	}
	for _, g := range groups {
		if err := checkGroup(g); err != nil {
			return nil, fmt.Errorf("register group %s of %s: %w", g.Name, g.Device, err)
		}
	}
	// writeMu keeps others from changing s.groups; mu is not held during the
	// commit, which may have to wait for a reader
	var changed []*groupRecord
	var events []Event
	out := make([]*scan.Group, len(groups))
	_, wall := s.o.Clock.Now()
	for i, g := range groups {
		rec, text := s.match(g, wall, changed)
		out[i] = rec.group
		if text != "" {
			changed = append(changed, rec)
			events = append(events, Event{Kind: "config_changed", Subject: g.Device, Text: text})
		}
	}
	if len(changed) == 0 {
		return out, nil
	}
	err := s.update(func(tx *bolt.Tx) error { return s.putGroups(tx, changed) })
	if err != nil {
		err = fmt.Errorf("register groups: %w", err)
		s.log.Error("new settings of devices are not on disk yet", "error", err)
		s.troubled(err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		s.unsaved = append(s.unsaved, changed...)
	}
	for i, rec := range changed {
		s.keepGroup(rec)
		s.addEvent(events[i])
	}
	return out, nil
}

func (s *Store) putGroups(tx *bolt.Tx, changed []*groupRecord) error {
	w, err := s.openLog(tx)
	if err != nil {
		return err
	}
	for _, rec := range changed {
		if err := putGroup(tx, rec); err != nil {
			return err
		}
	}
	if err := putCopies(tx); err != nil {
		return err
	}
	return w.add(&addition{})
}

func checkGroup(g *scan.Group) error {
	if g.Device == "" || len(g.Channels) == 0 || len(g.Channels) > maxChannels || g.PeriodMS < 1 {
		return fmt.Errorf("needs a device, 1 to %d channels and a period of 1 ms or more", maxChannels)
	}
	for i := range g.Channels {
		c := &g.Channels[i]
		if c.Kind < scan.KindInt || c.Kind > scan.KindDecimal {
			return fmt.Errorf("channel %s: kind %d is not known", c.Name, c.Kind)
		}
		if g.Index(c.Name) != i || c.Name == "" {
			return fmt.Errorf("channel %q is there twice or has no name", c.Name)
		}
	}
	return nil
}

func groupKey(g *groupRecord) []byte { return fmt.Appendf(nil, "%08x-%06x", g.group.ID, g.version) }

func putGroup(tx *bolt.Tx, g *groupRecord) error {
	return tx.Bucket([]byte(bucketGroups)).Put(groupKey(g), wrap(nil, typeGroup, appendGroup(nil, g)))
}

// match finds the record of a group, or makes a new one and says in text what
// is new. more are records of the same call.
func (s *Store) match(g *scan.Group, wallMS int64, more []*groupRecord) (rec *groupRecord, text string) {
	next, device := uint32(1), uint32(0)
	nextDevice := uint32(1)
	find := func(have *groupRecord) {
		next = max(next, have.group.ID+1)
		nextDevice = max(nextDevice, have.deviceNo+1)
		if have.group.Device == g.Device {
			device = have.deviceNo
		}
		if sameLayout(have.group, g) {
			rec = have
		}
	}
	for _, have := range s.groups {
		find(have)
	}
	for _, have := range more {
		find(have)
	}
	fresh := &groupRecord{group: &scan.Group{Device: g.Device, Name: g.Name, PeriodMS: g.PeriodMS,
		Channels: slices.Clone(g.Channels)}, sinceMS: wallMS}
	for i := range fresh.group.Channels {
		fresh.group.Channels[i].Device = g.Device
	}
	if rec != nil {
		diff := differences(rec.group, g)
		if len(diff) == 0 {
			return rec, ""
		}
		fresh.group.ID, fresh.version, fresh.deviceNo = rec.group.ID, rec.version+1, rec.deviceNo
		return fresh, fmt.Sprintf("%s, every %s: %s", g.Device, g.Name, strings.Join(diff, "; "))
	}
	if device == 0 {
		device = nextDevice
	}
	fresh.group.ID, fresh.version, fresh.deviceNo = next, 1, device
	return fresh, fmt.Sprintf("%s, every %s: the recording of %s begins", g.Device, g.Name, channelCount(len(g.Channels)))
}

func channelCount(n int) string {
	if n == 1 {
		return "1 channel"
	}
	return fmt.Sprintf("%d channels", n)
}

// sameLayout reports whether the raw scans of two groups can be told by the
// same columns.
func sameLayout(a, b *scan.Group) bool {
	return a.Device == b.Device && a.PeriodMS == b.PeriodMS &&
		slices.EqualFunc(a.Channels, b.Channels, func(x, y scan.Channel) bool {
			return x.Name == y.Name && x.Kind == y.Kind
		})
}

// orNone is a word for an empty value, which a sentence has no place for.
func orNone(v any) any {
	if v == "" {
		return "none"
	}
	return v
}

// differences says what of the metadata changed, one phrase each.
func differences(old, now *scan.Group) []string {
	var d []string
	if old.Name != now.Name {
		d = append(d, fmt.Sprintf("period written %s, was %s", now.Name, old.Name))
	}
	for i := range now.Channels {
		a, b := &old.Channels[i], &now.Channels[i]
		say := func(what string, was, is any) {
			if was != is {
				d = append(d, fmt.Sprintf("%s of %s is %v, was %v", what, b.Name, orNone(is), orNone(was)))
			}
		}
		say("scale", a.Scale, b.Scale)
		say("offset", a.Offset, b.Offset)
		say("unit", a.Unit, b.Unit)
		say("role", a.Role, b.Role)
		say("bit", a.Bit, b.Bit)
	}
	return d
}

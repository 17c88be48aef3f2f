package store

import (
	"errors"
	"fmt"
	"maps"
	"slices"

	"loadscribe/agent/scan"
)

const (
	// clockStepMS is the change of wall − mono between two scans that counts
	// as a step of the wall clock. Slewing moves it far less.
	clockStepMS = 500
	// maxWallMS keeps wall times far from where their arithmetic wraps.
	maxWallMS = int64(1) << 52
	// retrySealMS is how long a failed seal waits for the next try; each
	// further failure doubles it, up to maxRetrySealMS: making the blocks
	// costs time that Append should not take for nothing.
	retrySealMS    = 10_000
	maxRetrySealMS = 40_000
	// kickBytes of waiting journal ask for a sync before its time.
	kickBytes = 1 << 20
)

// Append takes the scans of a batch in the order given: each gets its sequence
// number and recording segment (also in the batch) and goes to memory and to
// the journal, which is synced within SyncEvery. The store owns the scans'
// slices from here on. A step of the wall clock becomes an event and a new
// segment. When the hour turns, Append seals it, which can take tens of
// milliseconds.
//
// A scan of a group that was never registered, with the wrong number of values
// or an impossible time is an error, and nothing of the batch is taken;
// likewise ErrBacklog. A disk that fails does not make Append fail: see Stats.
func (s *Store) Append(batch []scan.Scan) error {
	s.writeMu.Lock()
	defer s.writeMu.Unlock()
	if s.readOnly {
		return ErrReadOnly
	}
	if s.closed {
		return ErrClosed
	}
	err := s.admit(batch)
	if errors.Is(err, ErrBacklog) { // a seal makes room, where it can be had
		mono, _ := s.o.Clock.Now()
		s.trySeal(mono)
		err = s.admit(batch)
	}
	if err != nil {
		return err
	}
	for i := range batch {
		sc := &batch[i]
		s.mu.Lock()
		s.place(sc)
		due := s.sealDue(sc) || s.sealErr != nil
		s.mu.Unlock()
		if due {
			s.trySeal(sc.MonoMS)
		}
		s.mu.Lock()
		s.take(sc)
		s.mu.Unlock()
		if s.fold {
			s.o.Summariser.Step(sc)
		}
	}
	return nil
}

// admit checks a batch before any of it is taken.
func (s *Store) admit(batch []scan.Scan) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range batch {
		sc := &batch[i]
		if sc.Group == nil {
			return fmt.Errorf("append scan %d: %w: no group", i, ErrUnknown)
		}
		g := s.group(sc.Group.ID)
		if g == nil {
			return fmt.Errorf("append scan of %s %s: %w: group %d", sc.Group.Device, sc.Group.Name, ErrUnknown, sc.Group.ID)
		}
		n := 0
		if sc.Reason == scan.Good {
			n = len(g.Channels)
		}
		if len(sc.Values) != n || sc.Quality != nil && len(sc.Quality) != n {
			return fmt.Errorf("append scan of %s %s: %d values and %d qualities for %d channels with reason %q",
				g.Device, g.Name, len(sc.Values), len(sc.Quality), len(g.Channels), sc.Reason)
		}
		if sc.WallMS > maxWallMS || sc.WallMS < -maxWallMS {
			return fmt.Errorf("append scan of %s %s: wall time %d ms is not a date", g.Device, g.Name, sc.WallMS)
		}
	}
	if _, waiting, _ := s.j.state(); waiting > s.o.BacklogBytes || s.values > 2*s.o.TailValues {
		return fmt.Errorf("append %d scans: %w", len(batch), ErrBacklog)
	}
	return nil
}

// place finds the segment of a scan, a new one where the clock stepped.
func (s *Store) place(sc *scan.Scan) {
	f := &s.follow
	offset, hour := sc.WallMS-sc.MonoMS, hourOf(sc.WallMS)
	before, seen := f.monoMS[sc.Group.ID]
	step := offset - f.offsetMS
	switch {
	case !f.has && s.segments[len(s.segments)-1].Untrusted && sc.WallMS >= earliestMS:
		s.clockStep(sc, offset-s.segments[len(s.segments)-1].offsetMS()) // set before the first scan
	case !f.has:
	case step > clockStepMS || step < -clockStepMS:
		s.clockStep(sc, step)
	case seen && sc.MonoMS < before, hour < f.runHour-1:
		// a scan of another line may come some seconds late; one of the same
		// group cannot, and none an hour
		s.newSegment(sc.MonoMS, sc.WallMS, "time went back")
		s.addEvent(Event{Kind: "clock_step", WallMS: sc.WallMS, MonoMS: sc.MonoMS,
			Text: fmt.Sprintf("time went back at %s: a new recording segment begins", stamp(sc.WallMS))})
	}
	f.offsetMS, f.monoMS[sc.Group.ID] = offset, sc.MonoMS
	sc.Segment = s.segments[len(s.segments)-1].Number
}

func (s *Store) clockStep(sc *scan.Scan, stepMS int64) {
	s.newSegment(sc.MonoMS, sc.WallMS, "clock step")
	way := "forward"
	by := float64(stepMS) / 1000
	if by < 0 {
		way, by = "back", -by
	}
	s.addEvent(Event{Kind: "clock_step", WallMS: sc.WallMS, MonoMS: sc.MonoMS,
		Text: fmt.Sprintf("the wall clock stepped %s by %.3f s to %s", way, by, stamp(sc.WallMS)),
		Data: map[string]string{"step_ms": fmt.Sprint(stepMS)}})
	if sc.WallMS >= earliestMS {
		s.correctLabels(sc.WallMS - sc.MonoMS)
	}
}

// sealDue reports whether what is in memory is to be sealed before sc.
func (s *Store) sealDue(sc *scan.Scan) bool {
	f := &s.follow
	hour := hourOf(sc.WallMS)
	if !f.has { // the first scan of a segment: the tail may hold another hour
		f.has, f.runHour = true, hour
		return len(s.tail) > 0 && hourOf(s.tail[len(s.tail)-1].WallMS) != hour
	}
	turned := hour > f.runHour
	f.runHour = max(f.runHour, hour)
	return turned || s.values >= s.o.TailValues
}

// trySeal seals unless a failed seal was tried a short while ago. The scans
// stay in memory and in the journal until it succeeds.
func (s *Store) trySeal(monoMS int64) {
	s.mu.RLock()
	failed, values := s.sealErr, s.values
	s.mu.RUnlock()
	if failed != nil && monoMS < s.retryMS && monoMS > s.retryMS-s.pauseMS {
		return
	}
	err, what := s.seal(), "an hour cannot be sealed; it stays in memory and journal"
	if err == nil && !s.fold && s.o.Summariser != nil {
		if err = s.startFold(); err != nil { // as Open could not
			err, what = fmt.Errorf("make summaries: %w", err), "readings are kept, but summaries cannot be made just now"
			s.troubled(err)
		}
	}
	if err != nil {
		s.pauseMS = min(max(2*s.pauseMS, retrySealMS), maxRetrySealMS)
		s.retryMS = monoMS + s.pauseMS
		s.sealTrouble.Failed(s.log, monoMS, what, "error", err, "values", values)
		return
	}
	s.pauseMS = 0
	s.sealTrouble.Over(s.log, monoMS, "sealing works again")
}

// troubled notes that the database does not take something: Stats shows it, and
// Append tries to seal until that and what was put off have succeeded.
func (s *Store) troubled(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sealErr = err
}

// take gives a scan its number and puts it into memory and journal.
func (s *Store) take(sc *scan.Scan) {
	g := s.groups[sc.Group.ID]
	sc.Group = g.group
	if sc.Quality != nil && !slices.ContainsFunc(sc.Quality, func(r scan.Reason) bool { return r != scan.Good }) {
		sc.Quality = nil
	}
	sc.Seq = s.last.scan + 1
	if sc.Reason != scan.Good {
		sc.Values, sc.Quality = nil, nil // empty slices, see admit
	}
	s.keepScan(*sc)
	seg := &s.segments[len(s.segments)-1]
	if s.j.addScan(sc, g, seg) > kickBytes {
		select {
		case s.kick <- struct{}{}:
		default: // a sync is asked for already
		}
	}
}

// AppendEvent stores an event and returns it with its number and, where they
// were zero, its times and segment. It is safe on disk with the next sync. It
// returns ErrBacklog where the disk takes nothing and the memory for what waits
// is used up; events have an eighth more of it than scans, so that what became
// of the scans can still be told.
func (s *Store) AppendEvent(e Event) (Event, error) {
	if s.readOnly {
		return Event{}, ErrReadOnly
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.dead {
		return Event{}, ErrClosed
	}
	if e.WallMS > maxWallMS || e.WallMS < -maxWallMS {
		return Event{}, fmt.Errorf("append event %s: wall time %d ms is not a date", e.Kind, e.WallMS)
	}
	if _, waiting, _ := s.j.state(); waiting > s.o.BacklogBytes+s.o.BacklogBytes/8 {
		return Event{}, fmt.Errorf("append event %s: %w", e.Kind, ErrBacklog)
	}
	return s.addEvent(e), nil
}

// addEvent is AppendEvent with mu held or the store not shared.
func (s *Store) addEvent(e Event) Event {
	mono, wall := s.o.Clock.Now()
	if e.WallMS == 0 {
		e.WallMS = wall
	}
	if e.MonoMS == 0 {
		e.MonoMS = mono
	}
	if e.Segment == 0 {
		e.Segment = s.segmentAt(e.MonoMS, e.WallMS)
	}
	e.Data = maps.Clone(e.Data)
	s.last.event++
	e.Seq = s.last.event
	s.failed.event(&e)
	s.events = append(s.events, e)
	s.j.addEvent(&e)
	out := e
	out.Data = maps.Clone(e.Data)
	return out
}

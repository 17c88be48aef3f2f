package samples

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/publish"
	"loadscribe/agent/publish/remote"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// noonDay is the local date of the last noon.
func noonDay(wallMS int64, loc *time.Location) string {
	return time.UnixMilli(wallMS).In(loc).Add(-12 * time.Hour).Format(time.DateOnly)
}

// lookAround notes what the record's segments are, and up to which scan that is so: a
// segment that begins later, or whose times are put right later, has no scan before it.
func (s *Source) lookAround() {
	durable := s.record.DurableSeq()
	all := s.record.Segments()
	s.limit = limitOf(durable, all)
	s.segments = make(map[uint32]*store.Segment, len(all))
	for i := range all {
		s.segments[all[i].Number] = &all[i]
	}
	s.undone = undoneRanges(all)
}

// undoneSegments names the segments of imports that were undone.
func (s *Source) undoneSegments() string {
	var b strings.Builder
	all := s.record.Segments()
	for i := range all {
		if all[i].Why == store.WhyUndone {
			b.WriteString(strconv.FormatUint(uint64(all[i].Number), 10))
			b.WriteByte(' ')
		}
	}
	return b.String()
}

// levelsNow names the levels that hold.
func (s *Source) levelsNow() string {
	if s.o.Levels == nil {
		return ""
	}
	return fmt.Sprint(s.o.Levels()) // maps are printed by their sorted keys
}

// makeFolder makes a folder under the levels that hold now.
func (s *Source) makeFolder() error {
	s.levels = s.levelsNow()
	s.folder = analysis.NewFolder(s.o.Site, s.o.Groups)
	clear(s.feeds) // they hold series of the state before
	return s.record.Calibrate(s.folder)
}

// begin is the place where a Source begins that was nowhere yet.
func (s *Source) begin() (*state, error) {
	id, err := s.record.ID()
	if err != nil {
		return nil, err
	}
	st := newState(id)
	st.Undone = s.undoneSegments()
	st.At.Seq = s.record.SealedSeq()
	if s.o.History > 0 {
		first, err := s.firstScan(store.ScanQuery{FromMS: s.record.Present().NewestMS - s.o.History.Milliseconds()})
		if err != nil {
			return nil, err
		}
		if first != nil {
			st.At.Seq = first.Seq - 1
		}
	}
	before, err := s.firstScan(store.ScanQuery{FromSeq: max(st.At.Seq, 1)})
	if err != nil {
		return nil, err
	}
	if before != nil && before.Seq == st.At.Seq {
		st.At = markOf(before)
	}
	return st, nil
}

// firstScan is the first scan of a query, nil where there is none.
func (s *Source) firstScan(q store.ScanQuery) (*scan.Scan, error) {
	var first *scan.Scan
	err := s.record.Scans(q, func(sc *scan.Scan) error {
		c := sc.Clone()
		first = &c
		return errEnough
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return first, err
}

// settle makes a restored state fit the record and the site as they are now.
func (s *Source) settle(ctx context.Context) error {
	st := s.st
	id, err := s.record.ID()
	if err != nil {
		return err
	}
	same, err := s.sameRecord(id)
	if err != nil {
		return err
	}
	undone := s.undoneSegments()
	whole := same && undone == st.Undone
	if !same {
		if err := s.goOnByTime(); err != nil {
			return err
		}
	}
	if !whole {
		st.LeftOut[LeftRecord]++
		s.forget()
	}
	st.Store, st.Undone = id, undone
	st.Cell = s.cellOf(st.Last.WallMS) // its width or the site's name may have changed
	s.retire()
	if whole && len(st.Fold) > 0 && s.folder.Restore(st.Fold) == nil {
		return nil
	}
	for _, t := range st.Tracks {
		if !t.Has { // what a counter was told as is of another fold
			t.Value = 0
		}
	}
	return s.foldTo(ctx, st.At.Seq)
}

// sameRecord reports whether the record is the one that was read: the last scan read
// is there still, or retention has taken it since.
func (s *Source) sameRecord(id string) (bool, error) {
	at := s.st.At
	if id != s.st.Store || at.Seq > s.record.Present().LastSeq {
		return false, nil
	}
	if at.Seq == 0 || at.Device == "" { // nothing was read
		return true, nil
	}
	sc, err := s.firstScan(store.ScanQuery{FromSeq: at.Seq})
	switch {
	case err != nil:
		return false, err
	case sc != nil && sc.Seq == at.Seq:
		seg := s.segments[sc.Segment]
		moved := seg != nil && seg.ShiftMS != 0
		return sc.Segment == at.Segment && sc.MonoMS == at.MonoMS && sc.Group.Device == at.Device && (moved || sc.WallMS == at.WallMS), nil
	}
	for _, u := range s.undone {
		if at.Seq >= u.first && at.Seq <= u.last {
			return true, nil
		}
	}
	return at.WallMS < s.record.RawFrom(), nil
}

// goOnByTime puts the place before the first scan that is later than all that was
// read: the record is another one.
func (s *Source) goOnByTime() error {
	was := s.st.At
	first, err := s.firstScan(store.ScanQuery{FromMS: was.WallMS + 1})
	if err != nil {
		return err
	}
	at := mark{Seq: s.record.DurableSeq()}
	if first != nil {
		at.Seq = first.Seq - 1
	}
	before, err := s.firstScan(store.ScanQuery{FromSeq: max(at.Seq, 1)})
	if err != nil {
		return err
	}
	if before != nil && before.Seq == at.Seq {
		at = markOf(before)
	}
	s.log.Warn("the record is not the one that was sent on from: sending goes on by time", "from_seq", was.Seq, "to_seq", at.Seq)
	s.st.At = at
	return nil
}

// forget drops what is open of a record that is another one, or has lost scans: it is
// not known to be true any more. The series end.
func (s *Source) forget() {
	for _, t := range s.st.Tracks {
		t.Pending = false
		s.end(t, t.SentMS+1)
	}
	s.st.Open, s.st.Fold, s.st.Last = false, nil, mark{}
}

// retire ends the series of machines and devices that the site file no longer has, or
// has under other names.
func (s *Source) retire() {
	old := s.st.Tracks
	kept := old[:0:0]
	present := s.keys()
	for _, t := range old {
		if present[t.key()] {
			kept = append(kept, t)
			continue
		}
		s.end(t, t.WallMS+t.GapMS+1)
		delete(s.st.tracks, t.key())
	}
	s.st.Tracks = kept
}

// keys are those of all series that the site as it is can have.
func (s *Source) keys() map[string]bool {
	all := map[string]bool{}
	note := func(labels []remote.Label) { all[keyOf(labels)] = labels != nil }
	for _, g := range s.o.Groups {
		note(s.deviceLabels(g.Device))
		s.eachFeed(g, func(_ feed, labels []remote.Label) { note(labels) })
	}
	some, count := 0.0, int64(0)
	every := publish.Totals{StateMS: map[string]int64{}, Starts: &count, LoadCycles: &count, EnergyJ: &some, RunningJ: &some, AirM3: &some}
	for i := range s.o.Site.Machines {
		every.Counters(s.o.Site.Machines[i].Name, func(f publish.Family, _ float64, values ...string) { note(labelsOf(s.o.Label, f, values)) })
	}
	for i := range s.o.Site.Systems {
		note(labelsOf(s.o.Label, publish.QuietDemandFamily, []string{s.o.Site.Systems[i].Name}))
	}
	return all
}

// foldTo makes the fold as it was after a scan: from the store's summaries where they
// are not behind it, else of all raw scans that are kept.
func (s *Source) foldTo(ctx context.Context, seq uint64) error {
	from := uint64(0)
	state, upTo, err := s.record.Summary()
	if err != nil {
		return err
	}
	if state != nil && upTo <= seq && s.folder.Restore(state) == nil {
		from = upTo
	} else if err := s.folder.Restore(nil); err != nil {
		return err
	}
	n := 0
	err = s.record.Scans(store.ScanQuery{FromSeq: from + 1}, func(sc *scan.Scan) error {
		if sc.Seq > seq {
			return errEnough
		}
		s.folder.Step(sc)
		if n++; n%1024 == 0 {
			s.folder.Flush() // or the pieces would heap up
			runtime.Gosched()
			return ctx.Err()
		}
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return err
}

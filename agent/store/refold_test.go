package store

import (
	"context"
	"errors"
	"testing"
)

// calibrated is a counter whose fold depends on events of one kind.
type calibrated struct {
	counter
	kinds []string
}

func (c *calibrated) Calibrates(kind string) bool { return kind == "levels" }

func (c *calibrated) Calibrate(events []Event) {
	c.kinds = nil
	for _, e := range events {
		c.kinds = append(c.kinds, e.Data["at"])
	}
}

// TestRefold: all summaries are made anew beside the running store, and what
// is appended afterwards goes on from there, also over a restart. The events
// that the fold depends on are handed over before any scan.
func TestRefold(t *testing.T) {
	dir := t.TempDir()
	c := &calibrated{}
	open := func() *Store {
		s, err := Open(dir, Options{Summariser: c, SyncEvery: never, Clock: newTestClock()})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	s := open()
	groups := register(t, s, testGroups())
	appendAll(t, s, stream(groups, 1, startMS, 2*3600+700))
	for _, e := range []Event{{Kind: "note"}, {Kind: "levels", Data: map[string]string{"at": "1"}}} {
		if _, err := s.AppendEvent(e); err != nil {
			t.Fatal(err)
		}
	}
	next := &calibrated{}
	if err := s.Calibrate(next); err != nil {
		t.Fatal(err)
	}
	if len(next.kinds) != 1 || next.kinds[0] != "1" {
		t.Errorf("handed over %v, want the one event of its kind", next.kinds)
	}
	stopped, cancel := context.WithCancel(t.Context())
	cancel()
	if err := s.Refold(stopped, &calibrated{}, func() { t.Error("swapped although stopped") }); !errors.Is(err, context.Canceled) {
		t.Errorf("a stopped refold ends with %v", err)
	}
	if _, err := s.Pieces("comp1", 0, 0); err != nil { // into the cache
		t.Fatal(err)
	}
	before, swaps := s.SealedSeq(), 0
	if err := s.Refold(t.Context(), next, func() { *c = *next; swaps++ }); err != nil {
		t.Fatal(err)
	}
	if swaps != 1 || c.total != s.LastSeq() || c.resets != 1 {
		t.Errorf("swapped %d times; the new fold has seen %d of %d scans (%d resets)", swaps, c.total, s.LastSeq(), c.resets)
	}
	wantPieces(t, s, before)
	appendAll(t, s, stream(groups, 1, startMS+(2*3600+700)*1000, 3600))
	wantPieces(t, s, s.SealedSeq())
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	total := c.total
	*c = calibrated{}
	s = open()
	defer s.Close()
	if c.total != total || c.resets != 0 || len(c.kinds) != 1 {
		t.Errorf("after a restart: %d scans of %d, %d resets, %d calibrations", c.total, total, c.resets, len(c.kinds))
	}
	wantPieces(t, s, s.LastSeq())
}

// TestRefoldWhoseLastSyncFails: the new summaries are in the file and may not
// be on the disk. The fold that goes on is theirs, and the next seal settles it.
func TestRefoldWhoseLastSyncFails(t *testing.T) {
	failing := false
	c := &counter{}
	s := openTest(t, t.TempDir(), Options{Summariser: c, SyncEvery: never, CommitFault: func(last bool) error {
		if last && failing {
			return errInjected
		}
		return nil
	}})
	groups := register(t, s, testGroups())
	appendAll(t, s, stream(groups, 1, startMS, 3600+700))
	failing = true
	next := &counter{}
	if err := s.Refold(t.Context(), next, func() { *c = *next }); err != nil {
		t.Fatal(err)
	}
	if c.resets != 1 || s.Stats().SealError == "" {
		t.Errorf("%d resets, stats %q; want the new fold, not known to be on disk", c.resets, s.Stats().SealError)
	}
	failing = false
	appendAll(t, s, stream(groups, 2, startMS+(3600+700)*1000, 3600))
	if why := s.Stats().SealError; why != "" {
		t.Errorf("a disk that works again: %s", why)
	}
	wantPieces(t, s, s.SealedSeq())
}

package store

import (
	"errors"
	"syscall"
	"testing"

	"loadscribe/agent/scan"
)

// A start with new settings on a full disk records all the same: the scans
// wait, the trouble is shown, and when there is space again the summaries are
// made and the settings kept.
func TestStartOnAFullDisk(t *testing.T) {
	alone(t)
	dir := t.TempDir()
	s, err := Open(dir, Options{Clock: newTestClock(), Summariser: &counter{}, SyncEvery: never})
	if err != nil {
		t.Fatal(err)
	}
	all := stream(register(t, s, testGroups()), 3, startMS, 3*3600)
	before := len(all) * 2 / 3
	appendAll(t, s, all[:before])
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	full := true
	clock := newTestClock()
	s = openTest(t, dir, Options{Clock: clock, Summariser: &counter{refuse: errors.New("other settings")}, SyncEvery: never,
		CommitFault: func(last bool) error { // a sync of what is there needs no space
			if full && !last {
				return syscall.ENOSPC
			}
			return nil
		}})
	groups := testGroups()
	groups[0].Channels[0].Scale = 7
	groups, err = s.Register(groups)
	if err != nil {
		t.Fatalf("register on a full disk: %v", err)
	}
	rest := all[before:]
	for i := range rest {
		for _, g := range groups {
			if g.ID == rest[i].Group.ID {
				rest[i].Group = g
			}
		}
	}
	half := len(rest) / 2
	appendAll(t, s, rest[:half])
	if st := s.Stats(); !errors.Is(st.Trouble, syscall.ENOSPC) || st.LastSeq != uint64(before+half) {
		t.Errorf("while it is full: %v, %d scans; want ENOSPC and %d", st.Trouble, st.LastSeq, before+half)
	}
	if n := len(readAll(t, s, ScanQuery{})); n != before+half {
		t.Errorf("while it is full %d scans are read, want %d", n, before+half)
	}
	full = false
	last := rest[len(rest)-1]
	late := scan.Scan{Group: last.Group, MonoMS: last.MonoMS + 2*maxRetrySealMS, WallMS: last.WallMS + 2*maxRetrySealMS,
		Values: last.Values, Quality: last.Quality, Reason: last.Reason}
	appendAll(t, s, append(rest[half:len(rest):len(rest)], late))
	if st := s.Stats(); st.Trouble != nil || st.SealedSeq < uint64(before+half) {
		t.Errorf("with space again: %v, sealed to %d", st.Trouble, st.SealedSeq)
	}
	if err := s.seal(); err != nil {
		t.Fatal(err)
	}
	wantPieces(t, s, uint64(len(all)+1))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s, err = OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if g := s.group(groups[0].ID); g.Channels[0].Scale != 7 {
		t.Errorf("the new scale is not kept: %v", g.Channels[0].Scale)
	}
}

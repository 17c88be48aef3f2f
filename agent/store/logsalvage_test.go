package store

import "testing"

// The value that says where the log stands is lost, alone of all: the entries
// beside it are no checkpoint, and what comes in after the salvage must be
// sealed as ever.
func TestSalvageWithoutTheLogsHead(t *testing.T) {
	dir, _ := evidenceStore(t)
	flipValue(t, dir, bucketLog, func(v treeValue) bool { return v.key == logHeadKey })
	s := openTest(t, dir, Options{Summariser: &counter{}})
	appendAll(t, s, stream(register(t, s, cutGroups("psi")), 9, startMS+400*hourMS, 100))
	if err := s.Seal(); err != nil {
		t.Fatal(err)
	}
	if v := wantSound(t, s); v.Began.Old != "" || v.Began.Blocks == 0 {
		t.Errorf("began with %+v; want what was saved, and no checkpoint of before", v.Began)
	}
}

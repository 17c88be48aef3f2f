package main

import (
	"strings"
	"testing"
)

// TestMachineWeekRow: the row compares the energies of both ways inside, and its
// plant does all that costs time.
func TestMachineWeekRow(t *testing.T) {
	r, err := machineWeekRow(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if r.value <= 0 || r.referenceValue <= 0 || strings.Contains(r.note, " 0 loads") || strings.Contains(r.note, " 0 starts") {
		t.Errorf("the row is %+v", r)
	}
	if demand := replayDemand(); len(demand) != 1 || len(demand[0].Segments) != replayMinutes {
		t.Errorf("%d stretches", len(demand))
	}
}

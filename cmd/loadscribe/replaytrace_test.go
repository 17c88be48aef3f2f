package main

import (
	"bytes"
	"encoding/csv"
	"slices"
	"testing"

	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
)

// The names in a trace come of a site file and of a file of changes, which somebody
// may have sent: a spreadsheet must not compute them.
func TestTraceNamesAreNoFormulas(t *testing.T) {
	outcome := replay.Outcome{Machines: []replay.MachineOutcome{{Machine: "@SUM(1+9)"}, {Machine: "comp1"}},
		Trace: []replay.TracePoint{{AtMS: 1_772_452_800_000, Pa: 7e5, States: []string{"loaded", "off"}}}}
	a := replay.Answer{Present: outcome, Results: []replay.Result{{Name: "=cmd|' /C calc'!A0", Outcome: outcome}, {Name: "lower", Outcome: outcome}}}
	var out bytes.Buffer
	if err := writeReplayTrace(&out, &a, &sitefile.Site{}); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 4 || !slices.Equal(rows[0][4:], []string{"'@SUM(1+9)", "comp1"}) || !slices.Equal(rows[2][4:], []string{"loaded", "off"}) {
		t.Errorf("rows %q", rows)
	}
	for i, want := range []string{"run", "present settings", "'=cmd|' /C calc'!A0", "lower"} {
		if rows[i][0] != want {
			t.Errorf("row %d is of %q, want %q", i, rows[i][0], want)
		}
	}
}

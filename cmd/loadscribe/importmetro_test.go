package main

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"loadscribe/agent/analysis"
)

// metroImport is the recorded unit (see recordedData) as a site of files.
const (
	metroImport = `[site]
timezone = "UTC"
[[line]]
name = "files"
kind = "file"
[[device]]
name = "recorder"
line = "files"
map = "recorder.toml"
every = "10s"
[[machine]]
name = "unit"
control = "load/unload"
rated_flow = "100 cfm"
channels = { recorder = "*" }
`
	metroMap = `protocol = "file"
[[channel]]
name = "current"
role = "motor_current"
unit = "A"
[[channel]]
name = "reservoir"
role = "receiver_pressure"
unit = "bar"
`
	metroValve = `[[channel]]
name = "intake_valve"
role = "loaded"
type = "bit"
inverted = true
`
	metroColumns = `[[logger]]
name = "unit"
[logger.time]
column = "timestamp"
format = "YYYY-MM-DD hh:mm:ss"
[[logger.column]]
name = "Motor_current"
channel = "recorder.current"
[[logger.column]]
name = "Reservoirs"
channel = "recorder.reservoir"
`
	metroValveColumn = `[[logger.column]]
name = "COMP"
channel = "recorder.intake_valve"
`
)

// TestImportRecordedUnit brings the recorded unit in by the command and holds
// its figures to what was counted from the rows themselves
// (metropt3_expected.csv), from current alone and with the valve's signal. From
// current alone the levels must be learnt on the way.
func TestImportRecordedUnit(t *testing.T) {
	want := expectations(t)
	for _, valve := range []bool{false, true} {
		registers, columns, events := metroMap, metroColumns, "load_events_by_current"
		if valve {
			registers, columns, events = metroMap+metroValve, metroColumns+metroValveColumn, "load_events_by_COMP_falling"
		}
		dir := t.TempDir()
		for name, text := range map[string]string{"site.toml": metroImport, "recorder.toml": registers, "columns.toml": columns} {
			if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		site := filepath.Join(dir, "site.toml")
		out := mustRun(t, "import", "--site", site, "--map", filepath.Join(dir, "columns.toml"), recorded(t, "metropt3_excerpt.csv"))
		if !strings.Contains(out, want["rows"]+" rows in 1 file, 2020-02-01 00:00:00 to 2020-02-01 02:45:01") || !strings.Contains(out, "the levels of unit were learnt") {
			t.Errorf("import prints\n%s", out)
		}
		var r analysis.Report
		if err := json.Unmarshal([]byte(mustRun(t, "summary", "--site", site, "--from", "2020-02-01T00:00:00Z", "--to", "2020-02-01T02:45:02Z", "--json")), &r); err != nil {
			t.Fatal(err)
		}
		figures := map[string]analysis.Figure{}
		for _, f := range r.Machines[0].Figures {
			figures[f.Name] = f
		}
		near := func(name, expected string, scale, within float64) {
			t.Helper()
			number, err := strconv.ParseFloat(want[expected], 64)
			f := figures[name]
			if err != nil || f.Value == nil || math.Abs(*f.Value-number*scale) > within {
				t.Errorf("valve %t: %s is %+v, want %s × %g ± %g", valve, name, f, want[expected], scale, within)
			}
		}
		near("observed_time", "span_s", 1, 0)
		near("starts", "motor_starts", 1, 0)
		near("load_cycles", events, 1, 0)
		near("starts_per_hour_mean", "starts_per_hour", 1, 1e-6)
		// 10 s, one step, for each of two transitions of five starts: see TestRecordedUnit
		near("stopped_time", "time_off_s_hold_last", 1, 100)
		near("unloaded_time", "time_idle_s_hold_last", 1, 100)
		near("loaded_time", "time_loaded_s_hold_last", 1, 100)
		near("pressure_min", "reservoir_min_bar", 100, 1e-9) // kPa
		near("pressure_max", "reservoir_max_bar", 100, 1e-9)
	}
}

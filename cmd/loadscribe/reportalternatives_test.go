package main

import (
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/replay"
	"loadscribe/cmd/loadscribe/stage"
)

// triedOn are the settings that a report tries of itself on a whole week of each
// scenario, none where the replay does not meet what was measured. Those of the first
// are the same on its first 30 hours.
var triedOn = []struct {
	scenario string
	keys     string
	short    bool // checked on 30 hours in every run
}{
	{scenario: "growing-leaks", keys: "leaks_mended comp1.schedule comp1.replace", short: true},
	{scenario: "short-cycling", keys: "leaks_mended comp1.cut_in comp1.cut_out volume_add comp1.replace"},
	{scenario: "biased-sensors", keys: "leaks_mended comp1.cut_in comp1.cut_out comp2.cut_in comp2.cut_out comp1.schedule comp2.schedule comp1.replace comp2.no_load_stop"},
	{scenario: "clock-jumps", keys: "leaks_mended volume_add comp1.replace comp1.no_load_stop"},
	{scenario: "coarse-registers", keys: "leaks_mended volume_add comp1.replace comp1.no_load_stop"},
	{scenario: "failed-blow-down", keys: "leaks_mended comp1.cut_in comp1.cut_out volume_add comp1.replace comp1.no_load_stop"},
	{scenario: "fouled-cooler", keys: "leaks_mended volume_add comp1.replace comp1.no_load_stop"},
	{scenario: "heatless-dryer", keys: "leaks_mended comp1.replace"},
	{scenario: "joinery", keys: "leaks_mended volume_add comp1.replace comp1.no_load_stop"},
	{scenario: "modulate-then-unload", keys: ""},
	{scenario: "no-load-bit", keys: ""},
	{scenario: "power-failures", keys: "leaks_mended volume_add comp1.replace comp1.no_load_stop"},
	{scenario: "pump-up-test", keys: "leaks_mended comp1.schedule comp1.replace comp1.no_load_stop"},
	{scenario: "reversed-ct", keys: "leaks_mended volume_add comp1.no_load_stop"},
	{scenario: "storage-starved", keys: ""},
	{scenario: "stuck-inlet-valve", keys: ""},
	{scenario: "three-shifts", keys: ""},
	{scenario: "variable-displacement", keys: ""},
}

// TestAlternativesOfScenarios holds what a report tries of itself to what suits each
// plant, and to being accepted by the replay (LOADSCRIBE_LONG=1: whole weeks of all).
func TestAlternativesOfScenarios(t *testing.T) {
	if testing.Short() {
		t.Skip("plays simulated days; not under -short")
	}
	long := os.Getenv("LOADSCRIBE_LONG") != ""
	for _, c := range triedOn {
		if !long && !c.short {
			continue
		}
		t.Run(c.scenario, func(t *testing.T) {
			length := 30 * time.Hour
			if long {
				length = 7 * 24 * time.Hour
			}
			s, h := recordedHistory(t, stage.Options{Scenario: c.scenario, Length: length})
			doc := reportOf(t, h, s.From, s.To, "")
			var got []string
			for _, a := range doc.Data.Replays {
				if a.Fit.Poor != (c.keys == "") {
					t.Errorf("the replay is poor: %v; %s", a.Fit.Poor, a.Fit.Words)
				}
				if a.Absent != "" {
					t.Errorf("%s cannot be replayed: %s", a.System, a.Absent)
				}
				for i := range a.Results {
					got = append(got, settingKeys(&a.Results[i])...)
					if a.Results[i].Absent != "" || a.Results[i].SavedKWh.Value == nil {
						t.Errorf("%s was tried and cannot be told: %s", a.Results[i].Name, a.Results[i].Absent)
					}
				}
			}
			if want := strings.Fields(c.keys); !slices.Equal(got, want) {
				t.Errorf("tried are %v, want %v", got, want)
			}
			holdTogether(t, c.scenario, doc)
		})
	}
}

func settingKeys(r *replay.Result) (keys []string) {
	for _, s := range r.Set {
		keys = append(keys, s.Key)
	}
	return keys
}

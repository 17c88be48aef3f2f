package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// TestServiceDueCommand: a note marks the item, the list shows when it is due.
func TestServiceDueCommand(t *testing.T) {
	if testing.Short() {
		t.Skip("simulates days; not under -short")
	}
	s, err := stage.Open(t.TempDir(), stage.Options{Scenario: "joinery", Length: 50 * time.Hour, Edit: func(sc *simulator.Scenario) {
		for i := range sc.Devices {
			sc.Devices[i].Poll = 10 * time.Second
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Record(t.Context(), "test"); err != nil {
		t.Fatal(err)
	}
	run := func(want int, args ...string) (string, string) {
		t.Helper()
		var out, errs bytes.Buffer
		if code := execute(t.Context(), args, &out, &errs); code != want {
			t.Fatalf("%q: exit %d, want %d: %s", args, code, want, errs.String())
		}
		return out.String(), errs.String()
	}
	// The story's meter began at 21480.4 h: 3990 h before, the oil has ten hours left then.
	run(exitFine, "note", "--site", s.SitePath, "--service", "oil", "--hour-meter", "17490.4", "--at", s.From.AddDate(0, -6, 0).Format(time.DateOnly), "new oil")
	if _, errs := run(exitWrongUse, "note", "--site", s.SitePath, "--service", "oli", "x"); !strings.Contains(errs, `--service: the site file lists no "oli"`) {
		t.Errorf("a wrong item: %s", errs)
	}
	for _, hours := range []string{"-5", "NaN", "Inf", "2e6"} {
		if _, errs := run(exitWrongUse, "note", "--site", s.SitePath, "--service", "oil", "--hour-meter="+hours, "x"); !strings.Contains(errs, "--hour-meter: ") || !strings.Contains(errs, "give the hours it showed") {
			t.Errorf("an hour meter of %s: %s", hours, errs)
		}
	}
	for _, flag := range []string{"site", "data"} {
		if _, errs := run(exitWrongUse, "service-due", "--site", s.SitePath, "--"+flag); !strings.Contains(errs, "--"+flag+": its value is missing: write --"+flag+" ") {
			t.Errorf("--%s without a value: %s", flag, errs)
		}
	}
	// Between the second and the third day of a record of 50 hours lies no whole one.
	said, _ := run(exitFine, "note", "--site", s.SitePath, "--service", "oil", "--found", "dark, no water", "--author", "R. Vale", "--at", s.From.AddDate(0, -7, 0).Format(time.DateOnly), "old oil out")
	number := strings.Fields(said)[1]
	effect, _ := run(exitFine, "service-due", "--site", s.SitePath, "--effect", number)
	if !strings.Contains(effect, "oil of comp1, done ") || !strings.Contains(effect, "found: dark, no water") || !strings.Contains(effect, "nothing to compare: no whole day before") {
		t.Errorf("the effect of a service before the record: %s", effect)
	}
	if _, errs := run(exitWrongUse, "service-due", "--site", s.SitePath, "--effect", "99999"); !strings.Contains(errs, "--effect: 99999 is no note") {
		t.Errorf("the effect of no note: %s", errs)
	}
	text, _ := run(exitFine, "service-due", "--site", s.SitePath)
	t.Log(text)
	answer, _ := run(exitFine, "service-due", "--site", s.SitePath, "--json")
	var due serviceDue
	if err := json.Unmarshal([]byte(answer), &due); err != nil {
		t.Fatal(err)
	}
	totals, err := s.World.Truth().Totals("comp1", s.From, s.To)
	if err != nil {
		t.Fatal(err)
	}
	ran := 0.0
	for st, d := range totals.States {
		if simulator.State(st).Running() {
			ran += d.Hours()
		}
	}
	oil := due.Machines[0].Items[0]
	if oil.HoursLeft == nil || *oil.HoursLeft < 10-ran-0.7 || *oil.HoursLeft > 10-ran+0.7 { // it ran in the twelve hours before too
		t.Errorf("%+v, truly %.2f h left", oil, 10-ran)
	}
	for _, want := range []string{"every 4000 h or 12 months", fmt.Sprintf("ran %.0f h since", *oil.HoursSince), "due: not known", `--service "air filter"`, "hour meter 21", "note " + number + " of ", "old oil out; found: dark, no water (R. Vale)"} {
		if !strings.Contains(text, want) {
			t.Errorf("the list does not say %q:\n%s", want, text)
		}
	}
}

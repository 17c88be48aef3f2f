package main

import (
	"testing"
	"time"

	"loadscribe/agent/sitefile"
	"loadscribe/cmd/loadscribe/airtruth"
	"loadscribe/simulator"
)

// TestWhereCoverageBreaks measures what docs/uncertainty.md says of errors that
// no interval can know of: it prints how many intervals hold what happened, and
// fails where the page's words (all, none, most) are no longer so.
func TestWhereCoverageBreaks(t *testing.T) {
	if testing.Short() {
		t.Skip("records simulated hours; not under -short")
	}
	t.Parallel() // behind the tests of real time, which it would disturb
	meters := func(share float64) func(*simulator.Scenario) {
		return func(s *simulator.Scenario) {
			for i := range s.Devices {
				if s.Devices[i].Layout == "power-meter" {
					s.Devices[i].Bias.PowerShare = share
				}
			}
		}
	}
	volumes := func(factor float64) func(*sitefile.Site) {
		return func(s *sitefile.Site) {
			for i := range s.Systems {
				for k := range s.Systems[i].Parts {
					s.Systems[i].Parts[k].VolumeM3 *= factor
				}
			}
		}
	}
	monday := func(r airtruth.Run) airtruth.Run {
		r.After, r.Length = 7*time.Hour, 6*time.Hour
		return r
	}
	saturday := airtruth.Run{Scenario: "pump-up-test", PumpUp: true, After: -42 * time.Hour, Length: 6 * time.Hour}
	wrong := saturday
	wrong.Site = volumes(1.15)
	short := airtruth.Run{Scenario: "joinery", After: 9 * time.Hour, Length: 15 * time.Minute}
	const all, none = 1.0, 0.0
	for _, c := range []struct {
		name            string
		run             airtruth.Run
		figure, subject string
		least, most     float64 // share of the intervals that hold
	}{
		{"instruments off within their data sheets", monday(airtruth.Run{Scenario: "biased-sensors"}), "energy", "", all, all},
		{"instruments off within their data sheets", monday(airtruth.Run{Scenario: "biased-sensors"}), "air_demand_mean", "", all, all},
		{"both meters 1.95 % low: each machine", monday(airtruth.Run{Scenario: "biased-sensors", Edit: meters(-0.0195)}), "energy", "comp1", all, all},
		{"both meters 1.95 % low: their sum", monday(airtruth.Run{Scenario: "biased-sensors", Edit: meters(-0.0195)}), "energy", "main", none, none},
		{"meters 3 % low, beyond 2 %", monday(airtruth.Run{Scenario: "biased-sensors", Edit: meters(-0.03)}), "energy", "", none, none},
		{"volume right: the pump-up test", saturday, "full_load_flow", "", all, all},
		{"volume 15 % too large in the site file", wrong, "full_load_flow", "", none, none},
		{"a quarter of an hour", short, "air_delivered", "", 0.75, all},
	} {
		held, counted, width := 0, 0, 0.0
		for k, flow := range airtruth.Flows(4) {
			r := c.run
			r.Seed, r.Flow = uint64(3000+k), flow
			p, err := r.Play(t.Context(), t.TempDir())
			if err != nil {
				t.Fatal(err)
			}
			rows, err := p.Rows()
			if err != nil {
				t.Fatal(err)
			}
			for i := range rows {
				if row := &rows[i]; row.Name == c.figure && row.Counts() && (c.subject == "" || row.Subject == c.subject) {
					counted++
					width += row.Width()
					if row.Holds() {
						held++
					}
				}
			}
		}
		share := float64(held) / float64(counted)
		t.Logf("%-42s %-16s %-6s %2d of %2d hold, width %.1f %%", c.name, c.figure, c.subject, held, counted, 100*width/float64(counted))
		if counted == 0 || share < c.least || share > c.most {
			t.Errorf("%s: %d of %d intervals of %s hold; docs/uncertainty.md says %.0f to %.0f %%", c.name, held, counted, c.figure, 100*c.least, 100*c.most)
		}
	}
}

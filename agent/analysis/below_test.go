package analysis

import (
	"strings"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// lowPlant is below its minimum for the first ten minutes of an hour, running.
func lowPlant(t *testing.T) (*sitefile.Site, *memory) {
	site := plant(t)
	tp := newTape(site, monday)
	for s := range int64(3600) {
		pressure := int64(7000)
		if s < 600 {
			pressure = 3000
		}
		tp.add("controller", s*1000, 1, 1, 0, 0, pressure, 1)
	}
	site.Systems[0].MinimumPressurePa = 500_000
	return site, fold(site, tp.scans)
}

func mustBelow(t *testing.T, src Source, site *sitefile.Site, fromMS, toMS int64) Below {
	t.Helper()
	b, err := BelowMinimum(src, site, site.Systems[0].Name, fromMS, toMS, toMS)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// How much of a time below the minimum was run is left out, not nought, where a
// machine of the system may run unseen.
func TestBelowWithAMachineThatIsNotSeen(t *testing.T) {
	site, m := lowPlant(t)
	if b := mustBelow(t, m, site, monday, monday+hourMS); len(b.Stretches) != 1 || b.Stretches[0].RunningSeconds == nil || *b.Stretches[0].RunningSeconds < 599 {
		t.Fatalf("all seen: %s", asJSON(t, b))
	}
	site.Machines = append(site.Machines, sitefile.Machine{Name: "unseen", Control: sitefile.LoadUnload})
	site.Systems[0].Machines = append(site.Systems[0].Machines, "unseen")
	b := mustBelow(t, m, site, monday, monday+hourMS)
	if len(b.Stretches) != 1 || b.Stretches[0].Seconds < 599 || strings.Contains(asJSON(t, b), "running_seconds") {
		t.Errorf("one unseen: %s", asJSON(t, b))
	}
}

// Where the record cannot tell of times below the minimum, the answer says so: no
// stretch is not the same as none known.
func TestBelowSaysWhatIsNotInIt(t *testing.T) {
	site, m := lowPlant(t)
	src := thinned{m, monday + hourMS}
	b := mustBelow(t, src, site, monday+7*60_000, monday+40*60_000)
	if b.Total != 1 || len(b.Notes) != 1 || !strings.Contains(b.Notes[0], "the window was widened") {
		t.Errorf("a cut window: %s", asJSON(t, b))
	}
	// Summaries of earlier settings have no stretches of today's minimum.
	delete(site.Machines[0].Roles, scan.Standby)
	site.Systems[0].MinimumPressurePa = 400_000
	b = mustBelow(t, src, site, monday, monday+hourMS)
	if b.Total != 0 || len(b.Notes) != 1 || !strings.Contains(b.Notes[0], "without") || !strings.Contains(b.Notes[0], "below the minimum at a stretch") {
		t.Errorf("of earlier settings: %s", asJSON(t, b))
	}
}

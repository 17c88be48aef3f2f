package sitefile

import (
	"math"
	"testing"
	"time"
)

// TestNightUsers: what takes air at night and is no leak, in SI.
func TestNightUsers(t *testing.T) {
	files := changed(t, tapLine, tapLine+`
night_users = [{ name = "tank blanket", flow = "4 cfm" }, { name = "lab" }]
drains = [
  { name = "wet", flow = "55 cfm", at = "100 psi", open = "6s", every = "5m", part = "tank" },
  { name = "dry", flow = "1 m³/min", open = "500ms", every = "10m" },
]`, `purge = "15 %"`, `purge = "15 %", purge_while = "running"`)
	sys := mustLoad(t, files).Systems[0]
	if len(sys.NightUsers) != 2 || len(sys.Drains) != 2 {
		t.Fatalf("%d users and %d drains, want 2 and 2", len(sys.NightUsers), len(sys.Drains))
	}
	near := func(got, want float64) bool { return math.Abs(got-want) <= 1e-9*want }
	const cfm = 0.3048 * 0.3048 * 0.3048 / 60 // m³/s; the foot is 0.3048 m by definition
	if u := sys.NightUsers[0]; u.Name != "tank blanket" || !near(u.FlowM3S, 4*cfm) || sys.NightUsers[1].FlowM3S != 0 {
		t.Errorf("night users %+v", sys.NightUsers)
	}
	wet := sys.Drains[0]
	if !near(wet.FlowM3S, 55*cfm) || !near(wet.AtPa, 689_475.729) || wet.Open != 6*time.Second || wet.Every != 5*time.Minute || wet.Part != "tank" {
		t.Errorf("wet drain %+v", wet)
	}
	dry := sys.Drains[1]
	if !near(dry.FlowM3S, 1.0/60) || dry.AtPa != 0 || dry.Open != 500*time.Millisecond || dry.Part != "" {
		t.Errorf("dry drain %+v", dry)
	}
	if sys.Parts[0].PurgeWhile != PurgeRunning || sys.Parts[1].PurgeWhile != PurgeAlways {
		t.Errorf("purges while %q, %q", sys.Parts[0].PurgeWhile, sys.Parts[1].PurgeWhile)
	}
}

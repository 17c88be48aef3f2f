package main

import (
	"os/exec"
	"strings"
	"testing"
)

// allowed is the picture of DEVELOPERS.md as data: which rooms of the project
// a room may import. Sub-packages count as their room unless listed.
var allowed = map[string][]string{
	"agent/quantity":         {},
	"agent/scan":             {},
	"agent/air":              {"agent/gum", "agent/quantity"},
	"agent/gum":              {},
	"agent/evidence":         {},
	"agent/baseline":         {},
	"agent/align":            {},
	"agent/sitefile":         {"agent/quantity", "agent/scan", "agent/air", "agent/gum"},
	"agent/modbus/frame":     {},
	"agent/modbus":           {"agent/modbus/frame", "agent/scan"},
	"agent/textline":         {"agent/scan"},
	"agent/store":            {"agent/quantity", "agent/scan", "agent/evidence"},
	"agent/poll":             {"agent/scan", "agent/sitefile", "agent/modbus", "agent/modbus/frame", "agent/textline", "agent/pulse"},
	"agent/probe":            {"agent/scan", "agent/sitefile", "agent/modbus", "agent/modbus/frame"},
	"agent/newsite":          {"agent/scan", "agent/sitefile"},
	"agent/analysis":         {"agent/air", "agent/baseline", "agent/gum", "agent/quantity", "agent/scan", "agent/store", "agent/sitefile"},
	"agent/replay/engine":    {},
	"agent/replay/plainloop": {"agent/replay/engine"},
	"agent/replay":           {"agent/air", "agent/analysis", "agent/gum", "agent/quantity", "agent/sitefile", "agent/replay/engine", "configs"},
	"agent/display":          {"agent/analysis", "agent/quantity"},
	"agent/chart":            {},
	"agent/awake":            {},
	"agent/messenger":        {"agent/outward"},
	"agent/outward":          {},
	"agent/oplog":            {},
	"agent/pulse":            {},
	"agent/report":           {"agent/analysis", "agent/chart", "agent/display", "agent/quantity", "agent/replay", "agent/scan", "agent/sitefile", "agent/store"},
	"agent/publish":          {"agent/analysis", "agent/quantity", "agent/scan"},
	"agent/publish/samples":  {"agent/analysis", "agent/publish", "agent/publish/remote", "agent/quantity", "agent/scan", "agent/sitefile", "agent/store", "agent/transfer"},
	"agent/publish/remote":   {"agent/outward"},
	"agent/hookup":           {"agent/quantity", "agent/scan", "agent/sitefile", "agent/analysis"},
	"agent/guided":           {"agent/air", "agent/baseline", "agent/gum", "agent/quantity", "agent/scan", "agent/sitefile"},
	"agent/alarm":            {"agent/quantity", "agent/scan", "agent/sitefile"},
	"agent/intake":           {"agent/quantity", "agent/scan", "agent/sitefile"},
	"agent/transfer":         {"agent/scan"},
	"agent/bundle":           {"agent/scan", "agent/store", "agent/evidence", "agent/transfer"},
	"agent": {"agent/air", "agent/alarm", "agent/messenger", "agent/awake", "agent/oplog", "agent/pulse", "agent/evidence", "agent/quantity", "agent/scan", "agent/store", "agent/sitefile", "agent/poll",
		"agent/analysis", "agent/replay", "agent/report", "agent/display", "agent/publish", "agent/publish/samples", "agent/publish/remote", "agent/hookup", "agent/guided", "agent/transfer", "agent/bundle"},
	"dashboard/web":  {},
	"dashboard/door": {},
	"dashboard": {"agent", "agent/quantity", "agent/scan", "agent/store", "agent/sitefile", "agent/analysis",
		"agent/publish", "agent/hookup", "agent/transfer", "agent/bundle", "agent/newsite", "agent/probe", "agent/replay", "dashboard/door", "dashboard/web"},
	"configs":   {},
	"simulator": {"agent/quantity", "agent/modbus/frame"},
}

// TestImportsPointOneWay reads the import graph and fails on an arrow that
// turns round. cmd may import everything.
func TestImportsPointOneWay(t *testing.T) {
	out, err := exec.Command("go", "list", "-f", `{{.ImportPath}}{{range .Imports}} {{.}}{{end}}`, "loadscribe/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	seen, used := map[string]bool{}, map[[2]string]bool{}
	for line := range strings.Lines(string(out)) {
		fields := strings.Fields(line)
		from := strings.TrimPrefix(fields[0], "loadscribe/")
		for _, imported := range fields[1:] {
			if strings.HasPrefix(imported, "loadscribe/testdata/") && from != "cmd/bench" { // which measures and is not shipped
				t.Errorf("%s imports %s, which is for tests alone", from, imported)
			}
		}
		if strings.HasPrefix(from, "cmd/") {
			continue
		}
		room := roomOf(from)
		if room == "" {
			t.Errorf("package %s has no room in the picture: add it to DEVELOPERS.md and to this test", from)
			continue
		}
		seen[room] = true
		for _, imported := range fields[1:] {
			to, ours := strings.CutPrefix(imported, "loadscribe/")
			if !ours || roomOf(to) == room {
				continue
			}
			used[[2]string{room, roomOf(to)}] = true
			if !contains(allowed[room], roomOf(to)) {
				t.Errorf("%s imports %s: that arrow is not in the picture", from, to)
			}
		}
	}
	for room := range allowed {
		if !seen[room] {
			t.Errorf("room %s is in the picture but holds no package", room)
		}
		for _, to := range allowed[room] {
			if !used[[2]string{room, to}] {
				t.Errorf("%s imports nothing of %s: take that arrow out of the picture", room, to)
			}
		}
	}
}

// roomOf returns the longest room that is the package or a parent folder of
// it; the agent's own package is a room of its own, not the parent of others.
func roomOf(pkg string) string {
	best := ""
	for room := range allowed {
		inside := pkg == room || (room != "agent" && strings.HasPrefix(pkg, room+"/"))
		if inside && len(room) > len(best) {
			best = room
		}
	}
	return best
}

func contains(rooms []string, room string) bool {
	for _, r := range rooms {
		if r == room {
			return true
		}
	}
	return false
}

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

const keepMap = `name = "meter"
protocol = "modbus"
addressing = "zero-based"

[[channel]]
name = "power"
role = "power"
table = "input"
address = 0
type = "u16"
unit = "kW"
`

// TestCheckNamesWhatKeepRawDrops records five days, a few scans each, and asks
// before and after: what check names is what the agent drops, and no more.
func TestCheckNamesWhatKeepRawDrops(t *testing.T) {
	dir := t.TempDir()
	site := filepath.Join(dir, "site.toml")
	write := func(keep string) {
		text := "[site]\nname = \"Short of disk\"\ntimezone = \"UTC\"\n\n[agent]\n" + keep + "\n[[line]]\nname = \"bus\"\nkind = \"modbus-tcp\"\naddress = \"127.0.0.1:1\"\n\n" +
			"[[device]]\nname = \"meter\"\nline = \"bus\"\nunit = 1\nmap = \"meter.toml\"\n"
		for name, text := range map[string]string{"site.toml": text, "meter.toml": keepMap} {
			if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	check := func(want ...string) {
		t.Helper()
		out := mustRun(t, "check", "--site", site)
		for _, w := range want {
			if !strings.Contains(out, w) {
				t.Errorf("check says\n%s\nwithout %q", out, w)
			}
		}
	}
	write("")
	if out := mustRun(t, "check", "--site", site); strings.Contains(out, "keep_raw") {
		t.Errorf("all is kept, and check says\n%s", out)
	}
	write(`keep_raw = "2d"`)
	check("keep_raw: kept are the raw readings of 2 whole days beside the newest; nothing is recorded yet")

	loaded, err := sitefile.Load(site, sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	rec, err := agent.OpenRecorder(loaded, agent.Options{Version: "test", Clock: fixedClock{handmadeBegin.UnixMilli()}})
	if err != nil {
		t.Fatal(err)
	}
	for day := range int64(5) {
		at := day * (24 * time.Hour).Milliseconds()
		if err := rec.Append([]scan.Scan{{Group: rec.Groups()[0], MonoMS: at, WallMS: handmadeBegin.UnixMilli() + at, Values: []int64{10}}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
	check("those of 2 days, 2026-03-03 to 2026-03-04 (UTC), will be dropped")
	write(`keep_raw = "3d"`)
	check("those of 2026-03-03 (UTC) will be dropped")
	write(`keep_raw = "400d"`)
	check("nothing is older")
}

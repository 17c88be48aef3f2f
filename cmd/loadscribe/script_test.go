package main

import (
	"archive/zip"
	"errors"
	"flag"
	"os"
	"os/exec"
	"strconv"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

var update = flag.Bool("update", false, "write what the commands print into the scripts as what they should print")

// TestMain lets scripts and tests run this program as a process of its own,
// under the name loadscribe.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"loadscribe": main})
}

// TestScripts runs the scripts of testdata/script: what the commands print and
// with which code they end. Beside testscript's own words they know
//
//	exits CODE COMMAND...   runs a command that must end with this very code
//	handmade SITE           fills the site's store with the day of handmadeScans
//	unpack ZIP              writes the files of a zip into the working folder
//	flip FILE               flips a bit in the middle of a file
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:           "testdata/script",
		UpdateScripts: *update,
		Cmds:          map[string]func(*testscript.TestScript, bool, []string){"exits": exits, "handmade": handmade, "unpack": unpack, "flip": flip},
	})
}

func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE COMMAND...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var ended *exec.ExitError
		if !errors.As(err, &ended) {
			ts.Fatalf("%v", err)
		}
		got = ended.ExitCode()
	}
	if got != want {
		ts.Fatalf("%v ended with %d, not with %d", args[1:], got, want)
	}
}

// The hand-made day begins on a Tuesday, 08:00 in Chicago.
var handmadeBegin = time.Date(2026, time.March, 3, 14, 0, 0, 0, time.UTC)

// handmadeScans are what a hand can check: one scan a second of the channels
// loaded, running, pressure (0.1 psi), power (0.1 kW), in this order. The machine
// is off for one minute; then, twenty times, 40 s loaded at 37.0 kW while
// the pressure climbs from 100.0 to 120.0 psi, and 20 s unloaded at 12.0 kW
// while it falls back. Then the device is silent for one minute.
func handmadeScans(g *scan.Group) []scan.Scan {
	var all []scan.Scan
	add := func(reason scan.Reason, values ...int64) {
		at := int64(len(all)) * 1000
		all = append(all, scan.Scan{Group: g, MonoMS: at, WallMS: handmadeBegin.UnixMilli() + at, DurationMS: 12, Reason: reason, Values: values})
	}
	for range 60 {
		add(scan.Good, 0, 0, 1000, 0)
	}
	for range 20 {
		for i := range int64(40) {
			add(scan.Good, 1, 1, 1000+5*i, 370)
		}
		for i := range int64(20) {
			add(scan.Good, 0, 1, 1200-10*i, 120)
		}
	}
	for range 60 {
		add(scan.Timeout)
	}
	return all
}

// fixedClock stands still.
type fixedClock struct{ wallMS int64 }

func (c fixedClock) Now() (monoMS, wallMS int64) { return 0, c.wallMS }

func handmade(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: handmade SITE")
	}
	site, err := sitefile.Load(ts.MkAbs(args[0]), sitefile.Options{})
	ts.Check(err)
	rec, err := agent.OpenRecorder(site, agent.Options{Version: "test", Clock: fixedClock{handmadeBegin.UnixMilli()}})
	ts.Check(err)
	ts.Check(rec.Append(handmadeScans(rec.Groups()[0])))
	ts.Check(rec.Close())
}

func unpack(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: unpack ZIP")
	}
	z, err := zip.OpenReader(ts.MkAbs(args[0]))
	ts.Check(err)
	defer z.Close()
	ts.Check(os.CopyFS(ts.Getenv("WORK"), z))
}

func flip(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: flip FILE")
	}
	b, err := os.ReadFile(ts.MkAbs(args[0]))
	ts.Check(err)
	b[len(b)/2] ^= 4
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), b, 0o644))
}

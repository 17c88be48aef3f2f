package main

import (
	"bytes"
	"io"
	"strings"
	"testing"
	"time"
)

// Short work says nothing; long work says how far it is, off a terminal once a
// minute, on one in a line that is written over.
func TestWorkLine(t *testing.T) {
	var out bytes.Buffer
	told := newWorkLine(&out, "export")
	csv := &stamped{out: io.Discard, told: told}
	rows := []byte("2026-03-02T12:00:00.000Z,meter,power,36.8,kW,good\r\n2026-03-02T12:34:01.000Z,meter,power,36.8,kW,good\r\n")
	write := func() {
		t.Helper()
		if n, err := csv.Write(rows); n != len(rows) || err != nil {
			t.Fatalf("%d, %v", n, err)
		}
	}
	write()
	if out.Len() > 0 {
		t.Errorf("at once it says %q", out.String())
	}
	told.next = time.Now() // a minute later
	write()
	write()
	if got, want := out.String(), "export: at 2026-03-02T12:34, 0.0 MB\n"; got != want {
		t.Errorf("after a minute it says %q, want %q", got, want)
	}

	out.Reset()
	told.terminal, told.next = true, time.Time{}
	told.share("making", 0.42)
	told.end()
	told.end()
	if got := out.String(); strings.Count(got, "\r") != 2 || !strings.HasPrefix(got, "\rexport: making, 42 %\x1b[K") {
		t.Errorf("on a terminal it writes %q", got)
	}

	// Pieces too short for a stamp, and a stamp cut off at a piece's end.
	told.next = time.Time{}
	rows = []byte("x\n2026-03")
	write()
}

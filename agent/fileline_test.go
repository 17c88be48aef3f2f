package agent

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"
)

const fileLineSite = historySite + `
[[line]]
name = "loggers"
kind = "file"

[[device]]
name = "flowmeter"
line = "loggers"
map = "logger.toml"
every = "10s"
`

// TestFileLinesAreNotPolled: what is imported from files is neither opened nor
// missed. It shows neither as a device that is down nor as a stale channel.
func TestFileLinesAreNotPolled(t *testing.T) {
	dir := t.TempDir()
	const logger = "protocol = \"file\"\n[[channel]]\nname = \"flow\"\nrole = \"flow\"\nunit = \"m³/min\"\n"
	if err := os.WriteFile(filepath.Join(dir, "logger.toml"), []byte(logger), 0o644); err != nil {
		t.Fatal(err)
	}
	site := loadTestSite(t, dir, fileLineSite, historyMap)
	a, err := Open(site, Options{Dial: noLine, Clock: &manualClock{mono: 1000, wall: testStartMS}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- a.Run(ctx, "", func(ctx context.Context) error { <-ctx.Done(); return nil }) }()
	time.Sleep(50 * time.Millisecond) // whoever polled would have by now
	st := a.State()
	for _, d := range st.Devices {
		if d.Device == "flowmeter" {
			t.Errorf("the logger is told of as a device that is read: %+v", d)
		}
	}
	if _, shown := st.Channels["flowmeter.flow"]; shown || len(st.Channels) == 0 {
		t.Errorf("channels of now: %v", st.Channels)
	}
	if len(st.Lines) != len(site.Lines)-1 || len(st.Devices) != len(site.Devices)-1 {
		t.Errorf("%d lines and %d devices of %d and %d", len(st.Lines), len(st.Devices), len(site.Lines), len(site.Devices))
	}
	for _, d := range a.Metrics().Devices {
		if d.Name == "flowmeter" {
			t.Error("the logger has a row in the metrics of polled devices")
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

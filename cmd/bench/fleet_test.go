package main

import (
	"context"
	"io"
	"os/exec"
	"testing"
	"time"

	"loadscribe/cmd/loadscribe/fleet"
	"loadscribe/testdata/peers"
)

// TestFleetSection measures two shops for minutes: what the section prints is what was
// sent, and it fails where the receiver lacks a sample.
func TestFleetSection(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a receiver twice")
	}
	if _, err := exec.LookPath("prometheus"); err != nil {
		peers.Missing(t, "prometheus is not installed")
	}
	b := &bench{dir: t.TempDir(), log: io.Discard, fleetSites: 2, fleetSpan: time.Minute, fleetAway: 24 * time.Minute}
	found := map[string]row{}
	put := func(r row) { found[r.figure] = r }
	if err := fleetTraffic(context.Background(), b, fleet.Small(), 15*time.Second, put); err != nil {
		t.Fatal(err)
	}
	if err := fleetReceived(context.Background(), b, put); err != nil {
		t.Fatal(err)
	}
	for figure, within := range map[string][2]float64{
		"fleet_bytes_12_15s": {1000, 10_000}, "fleet_requests_15s": {4, 4}, "fleet_series_12": {20, 30},
		"fleet_catch_up": {100, 1e9}, "fleet_catch_up_bytes": {1, 40}, "fleet_receiver_disk": {0.5, 40}, "fleet_rules": {1e-3, 1e5},
	} {
		if v := found[figure].value; v < within[0] || v > within[1] {
			t.Errorf("%s is %v, not from %v to %v", figure, v, within[0], within[1])
		}
	}
	if r := found["fleet_bytes_12_15s"]; r.referenceValue < 1.5*r.value {
		t.Errorf("%v B a minute with heads, %v before they are packed: nothing was packed", r.value, r.referenceValue)
	}
}

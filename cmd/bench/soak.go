package main

import (
	"context"
	"fmt"
	"os/exec"
	"regexp"
	"strconv"
)

var soakFigures = []string{"memory_slope_day", "crowd_scan_lateness_ms"}

// What the two tests print in -v.
var (
	slopeSaid = regexp.MustCompile(`anonymous memory: ([0-9.]+) MB from day \d+ on, ([0-9.]+) MB at the end, ([-+][0-9.]+) MB a day`)
	worstSaid = regexp.MustCompile(`(\d+) scans of (\d+) due, at most ([0-9.]+) s between two`)
)

// soakRows runs the soak and the crowd, which are tests because they must hold, and
// reads what they measured.
func soakRows(ctx context.Context, b *bench) ([]row, error) {
	cmd := exec.CommandContext(ctx, "go", "test", "./cmd/loadscribe", "-count=1", "-parallel=1", "-v",
		"-run", "^(TestSoak|TestNoScanIsSkippedInACrowd)$")
	cmd.Stderr = b.log
	said, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("the soak and the crowd do not hold: %w; run go test ./cmd/loadscribe -run 'TestSoak|TestNoScanIsSkippedInACrowd' -v", err)
	}
	return soakSaid(string(said))
}

// soakSaid makes rows of what the tests printed.
func soakSaid(said string) ([]row, error) {
	slope := slopeSaid.FindStringSubmatch(said)
	worst := worstSaid.FindAllStringSubmatch(said, -1)
	if slope == nil || worst == nil {
		return nil, fmt.Errorf("the soak and the crowd printed no figures: %.200q", said)
	}
	perDay, err := strconv.ParseFloat(slope[3], 64)
	if err != nil {
		return nil, fmt.Errorf("memory a day: %w", err)
	}
	late := 0.0
	for _, w := range worst {
		betweenS, err := strconv.ParseFloat(w[3], 64)
		if err != nil {
			return nil, fmt.Errorf("time between two scans: %w", err)
		}
		late = max(late, 1000*(betweenS-1))
	}
	return []row{
		{figure: soakFigures[0], value: perDay, unit: "MB/day", goal: 5.0 / 30,
			note: fmt.Sprintf("from %s MB to %s MB over the last half of 30 simulated days", slope[1], slope[2])},
		{figure: soakFigures[1], value: late, unit: "ms", note: fmt.Sprintf("%d groups read once a second; none of their scans was skipped", len(worst))},
	}, nil
}

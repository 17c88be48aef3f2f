package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/cmd/loadscribe/stage"
)

// TestWhatAScrapeLoses holds docs/prometheus.md to a working day of the demo's shop, read
// each second and looked at as gauges that are scraped more seldom.
func TestWhatAScrapeLoses(t *testing.T) {
	day := time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC) // a Wednesday, 06:00 in the shop
	story, err := stage.Open(t.TempDir(), stage.Options{Scenario: "joinery", Start: day, Length: 10 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	var loaded, running []bool
	var psi []float64
	err = story.Play(t.Context(), nil, func(batch []scan.Scan) error {
		for i := range batch {
			s := &batch[i]
			if s.Reason != scan.Good || s.MonoMS%1000 != 0 {
				continue
			}
			value := func(name string) (v float64, ok bool) {
				for k := range s.Group.Channels {
					if s.Group.Channels[k].Name == name {
						if v := agent.ReadingOf(s, k); v != nil {
							return *v, true
						}
					}
				}
				return 0, false
			}
			on, hasLoaded := value("loaded")
			runs, hasRun := value("motor_running")
			p, hasPressure := value("receiver_pressure")
			if hasLoaded && hasRun && hasPressure {
				loaded, running, psi = append(loaded, on == 1), append(running, runs == 1), append(psi, p)
			}
		}
		return nil
	})
	if err != nil || len(psi) < 35_000 {
		t.Fatalf("%d seconds of readings, %v", len(psi), err)
	}
	page, err := os.ReadFile(filepath.Join("..", "..", "docs", "prometheus.md"))
	if err != nil {
		t.Fatal(err)
	}
	loads := rises(loaded, 1)
	for _, every := range []int{1, 5, 15, 60} {
		mean, worst := lowsMissed(psi, every)
		row := fmt.Sprintf("| %d s | %d of %d | %d of %d | %.1f psi | %.1f psi |", every, rises(loaded, every), loads, rises(running, every), rises(running, 1), mean, worst)
		t.Log(row)
		if every > 1 && !strings.Contains(string(page), row) {
			t.Errorf("docs/prometheus.md does not say: %s", row)
		}
	}
}

// rises counts how often a signal is seen to come on by who looks every so many seconds.
func rises(signal []bool, every int) (n int) {
	for i := every; i < len(signal); i += every {
		if signal[i] && !signal[i-every] {
			n++
		}
	}
	return n
}

// lowsMissed is by how much the lowest pressure of each hour is missed, in the mean and at worst.
func lowsMissed(psi []float64, every int) (mean, worst float64) {
	const hour = 3600
	hours := 0
	for from := 0; from+hour <= len(psi); from += hour {
		truly, seen := psi[from], psi[from]
		for i := from; i < from+hour; i++ {
			truly = min(truly, psi[i])
			if (i-from)%every == 0 {
				seen = min(seen, psi[i])
			}
		}
		mean, worst, hours = mean+seen-truly, max(worst, seen-truly), hours+1
	}
	return mean / float64(hours), worst
}

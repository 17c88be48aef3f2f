package fleet

import (
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// TestFleetSums redoes the sums of docs/fleets.md: what a site costs, times sites. What
// was measured stands in the page's own tables.
func TestFleetSums(t *testing.T) {
	text, err := os.ReadFile("../../../docs/fleets.md")
	if err != nil {
		t.Fatal(err)
	}
	page := string(text)
	cell := func(row string, column int) float64 {
		t.Helper()
		for line := range strings.Lines(page) {
			if cells := strings.Split(line, "|"); len(cells) > column+1 && strings.TrimSpace(cells[1]) == row {
				return amount(t, cells[column+1])
			}
		}
		t.Fatalf("docs/fleets.md has no row %q", row)
		return 0
	}
	series, requests, bytes := cell("active series", 1), cell("requests a minute, `every = \"15s\"`", 1), cell("bytes a minute, `every = \"15s\"`", 1)
	disk, live, memory := cell("B a sample on its disk, index with it", 1), cell("ms of a core a request, live", 1), cell("kB of memory an active series", 1)
	rules := cell("ms a site to add up a day for the rules", 1)
	for row, of := range map[string]float64{ // of one site
		"requests/s":                   requests / 60,
		"samples/s":                    series / 15,
		"MB/s in and out":              bytes / 60 / 1e6,
		"active series in all":         series,
		"GB a year on disk":            series / 15 * 31_536_000 * disk / 1e9,
		"cores, live requests":         requests / 60 * live / 1000,
		"GB of memory for series":      series * memory / 1e6,
		"s for the rules, each 15 min": rules / 1000,
	} {
		for i, sites := range []float64{1e3, 1e4, 1e5} {
			if shown, want := cell(row, 2+i), of*sites; math.Abs(shown/want-1) > 0.005 { // three digits
				t.Errorf("%s of %v sites: the page has %v, its own measures give %v", row, sites, shown, want)
			}
		}
	}
	usual, hour := 1e5*series/15, series*240
	for what, want := range map[string]float64{
		`100,000 sites that wait make 100,000 ÷ 270 s ≈ ([\d,.]+) requests`: 1e5 / 270,
		`series × 240 samples: ([\d,.]+) of the small shop`:                 hour,
		`of 100,000 sites ([\d,.]+) million`:                                hour * 1e5 / 1e6,
		`within 5 minutes ([\d,.]+) million`:                                hour * 1e5 / 300 / 1e6,
		`samples a second, ([\d,.]+) times the usual`:                       hour * 1e5 / 300 / usual,
	} {
		found := regexp.MustCompile(what).FindStringSubmatch(strings.Join(strings.Fields(page), " "))
		if found == nil {
			t.Errorf("docs/fleets.md does not say %s", what)
			continue
		}
		if shown := amount(t, found[1]); math.Abs(shown/want-1) > 0.01 {
			t.Errorf("%s: the page has %v, the sum is %v", what, shown, want)
		}
	}
}

// amount is a number as the docs write it.
func amount(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(strings.ReplaceAll(strings.TrimSpace(text), ",", ""), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

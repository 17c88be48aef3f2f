package agent

import (
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/guided"
	"loadscribe/agent/sitefile"
)

// A leak test by day takes what people use for leaks: in the hours of a shift that is
// the first caution, at other hours and without shifts it is not there.
func TestLeakTestInShiftHours(t *testing.T) {
	site := loadTestSite(t, t.TempDir(), strings.Replace(historySite, "name = \"Test\"", "name = \"Test\"\ntimezone = \"Europe/Berlin\"\nshifts = [\"Mon-Fri 07:00-16:00\"]", 1), historyMap)
	for stamp, want := range map[string]bool{
		"2026-03-02T06:00:00Z": true,  // Monday 07:00 there
		"2026-03-02T14:59:00Z": true,  // 15:59
		"2026-03-02T15:00:00Z": false, // 16:00
		"2026-03-02T05:59:00Z": false, // 06:59
		"2026-03-07T10:00:00Z": false, // Saturday
	} {
		at, err := time.Parse(time.RFC3339, stamp)
		if err != nil {
			t.Fatal(err)
		}
		got := leakCautions(site, at)
		if said := strings.Contains(got[0], "people work at this hour"); said != want || !slices.Equal(got[len(got)-len(guided.Cautions(guided.Leak)):], guided.Cautions(guided.Leak)) {
			t.Errorf("%s: %q", stamp, got[0])
		}
	}
	if got := leakCautions(&sitefile.Site{Location: time.UTC}, time.Unix(0, 0)); len(got) != len(guided.Cautions(guided.Leak)) {
		t.Errorf("without shifts: %q", got[0])
	}
	c := TestCautions{Leak: []string{"leak"}, PumpUp: []string{"pump"}}
	if c.Of(guided.Leak)[0] != "leak" || c.Of(guided.PumpUp)[0] != "pump" {
		t.Error("a test has the other's cautions")
	}
}

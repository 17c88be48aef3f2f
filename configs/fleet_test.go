package configs

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"

	"loadscribe/testdata/peers"
)

// The fleet's rules, by the tool of those who wrote the engine: it reads them, and
// plays invented sites through them.
func TestFleetRules(t *testing.T) {
	if testing.Short() {
		t.Skip("starts promtool alone")
	}
	tool := peers.Path(t, "promtool")
	rules := glob(t, "prometheus/fleet-*.yml")
	if out, err := exec.Command(tool, append([]string{"check", "rules", "--lint-fatal"}, rules...)...).CombinedOutput(); err != nil {
		t.Errorf("promtool check rules: %v\n%s", err, out)
	}
	for _, file := range glob(t, "prometheus/tests/fleet-*.yml") {
		t.Run(filepath.Base(file), func(t *testing.T) {
			t.Parallel()
			if out, err := exec.Command(tool, "test", "rules", file).CombinedOutput(); err != nil {
				t.Errorf("promtool test rules: %v\n%s", err, out)
			}
		})
	}
}

// Each alert of the fleet's is seen to come in a test.
func TestFleetAlertsAreSeen(t *testing.T) {
	var tests []byte
	for _, file := range glob(t, "prometheus/tests/fleet-*.yml") {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		tests = append(tests, text...)
	}
	rules, err := os.ReadFile("prometheus/fleet-alerts.yml")
	if err != nil {
		t.Fatal(err)
	}
	names := regexp.MustCompile(`- alert: (\w+)`).FindAllStringSubmatch(string(rules), -1)
	if len(names) < 6 {
		t.Errorf("fleet-alerts.yml has the alerts %q", names)
	}
	for _, name := range names {
		if !regexp.MustCompile(`- alertname: ` + name[1] + `\n +eval_time: \w+\n +exp_alerts:\n`).Match(tests) {
			t.Errorf("no test sees the alert %s come", name[1])
		}
	}
}

// A rule that tells something else must not pass its tests.
func TestFleetRulesCanFail(t *testing.T) {
	breakRules(t, append(glob(t, "prometheus/fleet-*.yml"), glob(t, "prometheus/tests/fleet-*.yml")...), []broken{
		{"scraped twice counts twice", "fleet-sites.yml", "max by (site, machine) (increase(loadscribe_air", "sum by (site, machine) (increase(loadscribe_air"},
		{"a fall of a counter", "fleet-sites.yml", "max by (site, machine) (increase(loadscribe_running", "max by (site, machine) (delta(loadscribe_running"},
		{"silence is forgotten", "fleet-silence.yml", "last_over_time(site:loadscribe_heard:timestamp_seconds[1h])", "site:loadscribe_heard:timestamp_seconds < 0"},
		{"growth against itself", "fleet-growth.yml", "[28d] offset 7d) > 0", "[28d]) > 0"},
	})
}

func glob(t *testing.T, pattern string) []string {
	t.Helper()
	files, err := filepath.Glob(pattern)
	if err != nil || len(files) < 2 {
		t.Fatalf("%s: %v %v", pattern, files, err)
	}
	return files
}

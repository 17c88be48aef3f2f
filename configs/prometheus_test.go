package configs

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"

	"loadscribe/testdata/peers"
)

// siteRules are those for agents that are scraped, and their tests.
var (
	siteRules = []string{"recording.yml", "alerts.yml"}
	ruleTests = []string{"tests/recording.yml", "tests/alerts.yml", "tests/alerts-day.yml"}
)

// The rules for scraped agents, by the tool of those who wrote the engine.
func TestPrometheusRules(t *testing.T) {
	if testing.Short() {
		t.Skip("starts promtool alone")
	}
	tool := peers.Path(t, "promtool")
	args := []string{"check", "rules", "--lint-fatal"}
	for _, name := range siteRules {
		args = append(args, filepath.Join("prometheus", name))
	}
	if out, err := exec.Command(tool, args...).CombinedOutput(); err != nil {
		t.Errorf("promtool check rules: %v\n%s", err, out)
	}
	for _, name := range ruleTests {
		t.Run(filepath.Base(name), func(t *testing.T) {
			t.Parallel()
			if out, err := exec.Command(tool, "test", "rules", filepath.Join("prometheus", name)).CombinedOutput(); err != nil {
				t.Errorf("promtool test rules: %v\n%s", err, out)
			}
		})
	}
}

// Each alert has a case in which it fires.
func TestEachAlertFiresOnce(t *testing.T) {
	rules, err := os.ReadFile("prometheus/alerts.yml")
	if err != nil {
		t.Fatal(err)
	}
	var tests []byte
	for _, name := range ruleTests {
		text, err := os.ReadFile(filepath.Join("prometheus", name))
		if err != nil {
			t.Fatal(err)
		}
		tests = append(tests, text...)
	}
	names := regexp.MustCompile(`(?m)- alert: (\w+)`).FindAllStringSubmatch(string(rules), -1)
	if len(names) < 10 {
		t.Fatalf("%d alerts found", len(names))
	}
	for _, name := range names {
		if !regexp.MustCompile(`- alertname: ` + name[1] + `\n +eval_time: \w+\n +exp_alerts:\n`).Match(tests) {
			t.Errorf("no test lets %s fire", name[1])
		}
	}
}

// Rules that were broken on purpose must not pass their tests.
func TestPrometheusRulesCanFail(t *testing.T) {
	var files []string
	for _, name := range append(append([]string(nil), siteRules...), ruleTests...) {
		files = append(files, filepath.Join("prometheus", name))
	}
	breakRules(t, files, []broken{
		{"starting is not running", "recording.yml", "starting|unloaded|loaded|part-load", "starting|loaded|part-load"},
		{"part load has a duty cycle", "recording.yml", `unless sum without (state) (loadscribe_state_seconds_total{state="part-load"}) > 0`, ""},
		{"a machine that stands", "recording.yml", " > 0)\n", " >= 0)\n"},
		{"scraped twice counts twice", "recording.yml", "max by (site, machine)", "sum by (site, machine)"},
		{"errors that are none of the wire's", "recording.yml", `{reason=~"timeout|bad checksum|wrong answer|device exception|port gone"}`, ""},
		{"targets of another kind", "alerts.yml", "up == 0 and on (job, instance) last_over_time(loadscribe_agent_start_timestamp_seconds[7d])", "up == 0"},
		{"one device for all", "alerts.yml", "max without (device)", "min without (device)"},
		{"somebody's already", "alerts.yml", `loadscribe_alarms_standing{state="raised"}`, `loadscribe_alarms_standing`},
		{"what is caught up", "alerts.yml", "          and loadscribe_remote_write_lag_seconds >= min_over_time(loadscribe_remote_write_lag_seconds[15m] offset 1m)\n", ""},
	})
}

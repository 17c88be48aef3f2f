package main

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
	"loadscribe/testdata/peers"
)

const (
	// scrapedFor is the least window that rules and figures are compared over.
	scrapedFor = 45 * time.Second
	// scrapedStarts are the least starts in it: with fewer "within 1 %" says little.
	scrapedStarts = 4
)

// quickShop is the demo's machine on a small tank, with people who take air now and then:
// it loads each few seconds, and starts and stops several times a minute.
func quickShop(s *simulator.Scenario) {
	m := &s.Machines[0]
	m.Schedule, m.NoLoadStop, m.LeastStarts = nil, 2*time.Second, 4*time.Second
	m.BlowDown, m.StartSumpPa = 3*time.Second, 150_000 // it may start again soon
	m.Motor.WyeTime, m.Motor.LoadDelay = 500*time.Millisecond, 500*time.Millisecond
	for i := range s.Parts {
		s.Parts[i].VolumeM3 /= 12
	}
	s.Breaks, s.Users = nil, s.Users[:1]
	for i := range s.Users {
		u := &s.Users[i]
		u.Always, u.RegulatedPa, u.FlowM3S = true, 0, 0.06
		u.On, u.Rest = 5*time.Second, 9*time.Second
	}
	for i := range s.Devices {
		s.Devices[i].Poll = 200 * time.Millisecond
	}
}

// recordedShop records half an hour of a quick shop up to now, serves the plant that goes
// on from there, and returns the site file of an agent for it.
func recordedShop(t *testing.T, dir string) (site string) {
	t.Helper()
	const past = 30 * time.Minute
	story, err := stage.Open(dir, stage.Options{Scenario: "joinery", Start: time.Now().Add(-past).Truncate(time.Second), WarmUp: 10 * time.Minute,
		Length: past, Edit: quickShop})
	if err != nil {
		t.Fatal(err)
	}
	if err := story.Record(t.Context(), "test"); err != nil {
		t.Fatal(err)
	}
	plant := serveWorld(t, story.World, "127.0.0.1:0", nil)
	text, err := os.ReadFile(story.SitePath)
	if err != nil {
		t.Fatal(err)
	}
	set := strings.NewReplacer("127.0.0.1:1502", plant.address, "127.0.0.1:8477", "127.0.0.1:0")
	writeFile(t, story.SitePath, set.Replace(string(text)))
	return story.SitePath
}

// TestPrometheusAgrees: a real Prometheus scrapes a real agent and evaluates our rules;
// duty cycle, starts per hour and specific power are the agent's own figures for the
// same window within 1 %.
func TestPrometheusAgrees(t *testing.T) {
	if testing.Short() {
		t.Skip("takes more than a minute of the clock's own time")
	}
	peers.Path(t, "prometheus")
	dir := t.TempDir()
	site := recordedShop(t, dir)
	u := start(t, "run", "--site", site)
	address := agentAt(t, dir)
	eventually(t, "readings", 20*time.Second, func() bool {
		v, _ := scraped(t, address, `loadscribe_state{machine="comp1",state="loaded"}`)
		return v == "1"
	})
	r := &rulesRig{t: t, address: address}
	r.begin(ruledConfig(t, address))
	r.compare(r.window())
	if code := u.stop(); code != exitFine {
		t.Errorf("the agent ended with %d: %s", code, u.stderr)
	}
}

// ruledConfig is a prometheus.yml that scrapes once a second and evaluates our rules twice
// as often: it evaluates at a moment of its own choice, which may lie within the scrape.
func ruledConfig(t *testing.T, address string) string {
	t.Helper()
	rules := t.TempDir()
	for _, name := range []string{"recording.yml", "alerts.yml"} {
		text, err := os.ReadFile(filepath.Join("..", "..", "configs", "prometheus", name))
		if err != nil {
			t.Fatal(err)
		}
		quick := strings.NewReplacer("interval: 1m", "interval: 500ms", "interval: 5m", "interval: 500ms").Replace(string(text))
		writeFile(t, filepath.Join(rules, name), quick)
	}
	return fmt.Sprintf(`
global: { scrape_interval: 1s, scrape_timeout: 1s, evaluation_interval: 1s }
rule_files: [%q]
scrape_configs:
  - job_name: air
    static_configs: [{ targets: [%q], labels: { site: harrow-lane } }]
`, filepath.Join(rules, "*.yml"), address)
}

// rulesRig asks both.
type rulesRig struct {
	t       *testing.T
	p       *peers.PrometheusServer
	address string
}

// sampled is what a scrape found.
type sampled struct {
	at             time.Time
	starts, stands float64 // stands: 1 while the motor is off
}

// samples are all scrapes, oldest first.
func (r *rulesRig) samples() (all []sampled) {
	r.t.Helper()
	values := func(series string) [][2]any {
		var found struct {
			Data struct {
				Result []struct{ Values [][2]any }
			}
		}
		if err := r.p.Ask(r.t.Context(), "/api/v1/query", url.Values{"query": {series + "[10m]"}}, &found); err != nil {
			r.t.Fatal(err)
		}
		if len(found.Data.Result) == 0 {
			return nil
		}
		return found.Data.Result[0].Values
	}
	number := func(v any) float64 {
		n, err := strconv.ParseFloat(v.(string), 64)
		if err != nil {
			r.t.Fatal(err)
		}
		return n
	}
	stands := values(`loadscribe_state{state="standby"}`)
	starts := values("loadscribe_starts_total")
	for i := range min(len(starts), len(stands)) {
		all = append(all, sampled{time.UnixMilli(int64(math.Round(starts[i][0].(float64) * 1000))), number(starts[i][1]), number(stands[i][1])})
	}
	return all
}

// clear reports whether the machine stood around a moment: near a start or a load it
// depends on milliseconds on which side of the moment it is counted.
func (r *rulesRig) clear(at time.Time) bool {
	return figureValue(r.t, r.figures(at.Add(-700*time.Millisecond), at.Add(300*time.Millisecond)), "running_time") == 0
}

// begin starts Prometheus so that its first scrape finds the machine at rest.
func (r *rulesRig) begin(config string) {
	r.t.Helper()
	for range 20 {
		eventually(r.t, "a machine that stands", 30*time.Second, func() bool {
			v, _ := scraped(r.t, r.address, `loadscribe_state{machine="comp1",state="standby"}`)
			return v == "1"
		})
		r.p = peers.Prometheus(r.t, config)
		var all []sampled
		eventually(r.t, "two scrapes", 20*time.Second, func() bool { all = r.samples(); return len(all) >= 2 })
		if all[0].stands == 1 && r.clear(all[0].at) {
			return
		}
		r.p.Kill()
	}
	r.t.Fatal("no first scrape found the machine at rest")
}

// window waits for two scrapes at rest with enough time and starts between them.
func (r *rulesRig) window() (w [2]time.Time) {
	r.t.Helper()
	eventually(r.t, "enough starts between two scrapes", 2*time.Minute, func() bool {
		all := r.samples()
		first, last := all[0], all[len(all)-2] // what came after it is known
		w = [2]time.Time{first.at, last.at}
		return last.at.Sub(first.at) >= scrapedFor && last.starts-first.starts >= scrapedStarts && last.stands == 1 && r.clear(last.at) && r.evaluated(last.at)
	})
	return w
}

// beforeNext is how long after a scrape the next one has certainly not begun.
const beforeNext = 990 * time.Millisecond

// evaluated reports whether the rules were evaluated with a scrape and without the next: a
// busy computer takes a while to bring a scrape in, and passes evaluations over.
func (r *rulesRig) evaluated(scrape time.Time) bool {
	r.t.Helper()
	for _, window := range []string{"1h", "1d"} {
		points, err := r.p.Query(r.t.Context(), "timestamp(site_machine:loadscribe_loaded_share:ratio_rate"+window+")", scrape.Add(beforeNext))
		if err != nil {
			r.t.Fatal(err)
		}
		if len(points) != 1 || points[0].Value < float64(scrape.Add(beforeNext/3).UnixMilli())/1000 {
			return false
		}
	}
	return true
}

func (r *rulesRig) figures(from, to time.Time) []analysis.Figure {
	r.t.Helper()
	q := url.Values{"from": {from.UTC().Format(time.RFC3339Nano)}, "to": {to.UTC().Format(time.RFC3339Nano)}, "machine": {"comp1"}}
	status, body := tryGet("http://" + r.address + "/api/v1/figures?" + q.Encode())
	var report analysis.Report
	if err := json.Unmarshal([]byte(body), &report); status != http.StatusOK || err != nil || len(report.Machines) != 1 {
		r.t.Fatalf("figures: %d %v %s", status, err, body)
	}
	return report.Machines[0].Figures
}

func figureValue(t *testing.T, figures []analysis.Figure, name string) float64 {
	t.Helper()
	for i := range figures {
		if f := &figures[i]; f.Name == name {
			if f.Value == nil {
				t.Fatalf("%s is absent: %s", name, f.Absent)
			}
			return *f.Value
		}
	}
	t.Fatalf("no figure %s", name)
	return 0
}

func (r *rulesRig) compare(w [2]time.Time) {
	t := r.t
	t.Helper()
	figures := r.figures(w[0], w[1])
	for i := range figures {
		switch f := &figures[i]; f.Name {
		case "starts", "load_cycles", "running_time", "observed_time", "loaded_time", "energy", "air_delivered", "full_load_flow", "delivery_delay":
			if f.Value != nil {
				t.Logf("%-16s %10.4f %s; %s", f.Name, *f.Value, f.Unit, f.Method)
			}
		}
	}
	for _, c := range []struct {
		rule, figure string
		scale        float64
	}{
		{"duty_cycle", "duty_cycle", 1},
		{"loaded_share", "loaded_share", 1},
		{"starts_per_hour", "starts_per_hour_mean", 1},
		{"load_cycles_per_hour", "load_cycles_per_hour", 1},
		{"specific_power_joules_per_cubic_meter", "specific_power", 60e3}, // kW/(m³/min) in J/m³
	} {
		for _, window := range []string{"1h", "1d"} {
			rule := "site_machine:loadscribe_" + c.rule + ":ratio_rate" + window
			points, err := r.p.Query(t.Context(), rule+`{site="harrow-lane",machine="comp1"}`, w[1].Add(beforeNext))
			if err != nil || len(points) != 1 {
				t.Fatalf("%s: %v %v", rule, points, err)
			}
			want := figureValue(t, figures, c.figure) * c.scale
			off := points[0].Value/want - 1
			t.Logf("%-70s %12.4f, the agent says %12.4f: %+.2f %%", rule, points[0].Value, want, 100*off)
			if !(math.Abs(off) <= 0.01) {
				t.Errorf("%s is %g, the agent's %s is %g (%+.2f %%)", rule, points[0].Value, c.figure, want, 100*off)
			}
		}
	}
}

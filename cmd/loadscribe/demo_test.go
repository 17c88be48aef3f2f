package main

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/cmd/loadscribe/demo"
)

// shopNow is a Tuesday at noon in Chicago: the shop is at work.
var shopNow = time.Date(2026, time.March, 3, 18, 0, 0, 0, time.UTC)

// openShop opens a demo with a short history that leads up to now.
func openShop(t *testing.T, dir string, now time.Time, fresh bool) *demo.Shop {
	t.Helper()
	shop, err := demo.Open(demo.Options{Dir: dir, Listen: "127.0.0.1:0", Fresh: fresh,
		Now: func() time.Time { return now }, History: 3 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(shop.Close)
	return shop
}

func fillShop(t *testing.T, ctx context.Context, shop *demo.Shop, progress func(float64, string)) {
	t.Helper()
	if err := shop.Fill(ctx, "test", slog.New(slog.DiscardHandler), progress); err != nil {
		t.Fatal(err)
	}
}

func quiet(float64, string) {}

// stamps are the wall times, in milliseconds, of all scans of a stopped store,
// by device and group.
func stamps(t *testing.T, site string) map[string][]int64 {
	t.Helper()
	h := history(t, site)
	defer h.Close() // the next one may want to write
	all := map[string][]int64{}
	err := h.Scans(0, shopNow.Add(24*time.Hour).UnixMilli(), nil, func(s *scan.Scan) error {
		key := s.Group.Device + " " + s.Group.Name
		all[key] = append(all[key], s.WallMS)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func history(t *testing.T, site string) *agent.History {
	t.Helper()
	loaded, err := sitefile.Load(site, sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	h, err := agent.OpenHistory(loaded, "test", slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// TestDemoFillResumes breaks the filling of a demo off in the middle of an
// hour, twice, and lets it go on: no scan twice, none missing.
func TestDemoFillResumes(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "shop")
	site := filepath.Join(dir, "site.toml")
	newest := shopNow.Add(-3 * time.Hour).UnixMilli()
	for range 2 {
		ctx, breakOff := context.WithCancel(t.Context())
		// The clock is asked once a second of the story: after an hour and
		// twenty minutes it is enough.
		asked := 0
		shop, err := demo.Open(demo.Options{Dir: dir, Listen: "127.0.0.1:0", History: 3 * time.Hour, Now: func() time.Time {
			if asked++; asked == 4800 {
				breakOff()
			}
			return shopNow
		}})
		if err != nil {
			t.Fatal(err)
		}
		fillShop(t, ctx, shop, quiet)
		shop.Close()
		breakOff()
		for group, times := range stamps(t, site) {
			last := times[len(times)-1]
			if last <= newest || last > shopNow.Add(-2*time.Second).UnixMilli() {
				t.Fatalf("%s: broken off at %v, after %v", group, time.UnixMilli(last).UTC(), time.UnixMilli(newest).UTC())
			}
			newest = last
			break
		}
	}
	shop := openShop(t, dir, shopNow, false)
	fillShop(t, t.Context(), shop, quiet)
	if begin := shopNow.Add(-3 * time.Hour); !shop.History().Equal(begin) {
		t.Errorf("the history begins at %v, not at %v", shop.History(), begin)
	}
	all := stamps(t, site)
	if len(all) != 3 {
		t.Errorf("scans of %d poll groups, not of 3", len(all))
	}
	for group, times := range all {
		_, name, _ := strings.Cut(group, " ")
		period, err := time.ParseDuration(name)
		if err != nil {
			t.Fatal(err)
		}
		want := shopNow.Add(-3 * time.Hour)
		for _, ms := range times {
			if ms != want.UnixMilli() {
				t.Fatalf("%s: a scan of %v where one of %v is due", group, time.UnixMilli(ms).UTC(), want)
			}
			want = want.Add(period)
		}
		if want.Before(shopNow.Add(-time.Second)) {
			t.Errorf("%s: the last scan is of %v", group, want.Add(-period))
		}
	}
}

// TestDemoPauseIsUnobserved starts a complete demo again after a pause, with
// the agent on it: nothing is made up for the pause.
func TestDemoPauseIsUnobserved(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "shop")
	site := filepath.Join(dir, "site.toml")
	now := time.Now().Truncate(time.Second)
	left := now.Add(-40 * time.Minute)
	shop := openShop(t, dir, left, false)
	fillShop(t, t.Context(), shop, quiet)
	shop.Close()
	before := stamps(t, site)

	shop = openShop(t, dir, now, false)
	fillShop(t, t.Context(), shop, quiet)
	for group, times := range stamps(t, site) {
		if len(times) != len(before[group]) {
			t.Errorf("%s: %d scans before the pause, %d after it", group, len(before[group]), len(times))
		}
	}
	ctx, stop := context.WithCancel(context.Background())
	var ended sync.WaitGroup
	ended.Go(func() {
		if err := shop.Serve(ctx); err != nil {
			t.Errorf("the simulated plant: %v", err)
		}
	})
	t.Cleanup(func() { stop(); ended.Wait() })
	u := start(t, "run", "--site", site)
	address := agentAt(t, dir)
	eventually(t, "a machine that is observed again", 20*time.Second, func() bool {
		return stateAt(t, address).Machines[0].State != "unobserved"
	})
	time.Sleep(2 * time.Second)
	if code := u.stop(); code != exitFine {
		t.Errorf("ended with %d; stderr:\n%s", code, u.stderr)
	}

	h := history(t, site)
	defer h.Close()
	runs, err := h.StateRuns("comp1", left.Add(-time.Minute).UnixMilli(), now.UnixMilli())
	if err != nil {
		t.Fatal(err)
	}
	last := runs[len(runs)-1]
	if from := time.UnixMilli(int64(last.From)); last.State != "unobserved" || last.Reason != "agent stopped" ||
		from.Before(left.Add(-5*time.Second)) || from.After(left) || int64(last.To) != now.UnixMilli() {
		t.Errorf("the pause since %v is %+v", left, last)
	}
	report, err := h.Figures(left.UnixMilli(), now.UnixMilli(), "comp1")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range report.Machines[0].Figures {
		if f.Name == "unobserved_time" && (f.Value == nil || *f.Value < (39*time.Minute).Seconds()) {
			t.Errorf("unobserved_time of a pause of 40 minutes: %+v", f)
		}
		if f.Name == "energy" && f.Value != nil {
			t.Errorf("energy of the pause: %v", *f.Value)
		}
	}
}

// TestDemoWeekHasFaults: the plant takes the faults of a whole week, which lie
// in the working mornings that are over. Tuesday and Friday have none.
func TestDemoWeekHasFaults(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "shop")
	shop, err := demo.Open(demo.Options{Dir: dir, Listen: "127.0.0.1:0", Now: func() time.Time { return weekEnd }})
	if err != nil {
		t.Fatal(err)
	}
	shop.Close()
	var story struct {
		Trips []struct{ At time.Time }
	}
	text, err := os.ReadFile(filepath.Join(dir, "demo.json"))
	if err == nil {
		err = json.Unmarshal(text, &story)
	}
	if err != nil {
		t.Fatal(err)
	}
	var days []string
	for _, trip := range story.Trips {
		days = append(days, trip.At.In(shop.Site.Location).Format("Mon 15:04"))
	}
	if got := strings.Join(days, ", "); got != "Mon 10:40, Wed 10:40, Thu 10:40" {
		t.Errorf("faults on %s", got)
	}
}

// TestDemoServesEveryCommand asks the other commands about a demo's site, then
// throws it away.
func TestDemoServesEveryCommand(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "shop")
	site := filepath.Join(dir, "site.toml")
	fillShop(t, t.Context(), openShop(t, dir, shopNow, false), quiet)
	for _, tt := range []struct {
		says string
		args []string
	}{
		{"no mistake found", []string{"check", "--site", site}},
		{"instrument meter: serial PM-0731, calibrated ", []string{"check", "--site", site}},
		{`"standing":"valid"`, []string{"check", "--site", site, "--json"}},
		{"the instruments behind it, by the site file\n  controller: serial SC-20417, calibrated ", []string{"summary", "--site", site, "--from", "-1h"}},
		{"Harrow Lane Joinery", []string{"summary", "--site", site, "--from", "-1h"}},
		{`"specific_power"`, []string{"summary", "--site", site, "--from=-1h", "--json"}},
		{"controller,discharge_pressure,", []string{"export", "--site", site, "--from", "-1m"}},
		{"meter.power [kW]", []string{"export", "--site", site, "--from", "-1m", "--layout", "wide"}},
		{filepath.Join(dir, "data"), []string{"version", "--site", site}},
	} {
		if out := mustRun(t, tt.args...); !strings.Contains(out, tt.says) {
			t.Errorf("%v does not say %q:\n%s", tt.args, tt.says, out)
		}
	}

	// --fresh makes a new story and keeps what is not the demo's.
	notes := filepath.Join(dir, "notes.txt")
	writeFile(t, notes, "somebody's")
	later := shopNow.Add(6 * time.Hour)
	shop := openShop(t, dir, later, true)
	if _, err := os.Stat(filepath.Join(dir, "data")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the old data is still there (%v)", err)
	}
	if text, err := os.ReadFile(notes); err != nil || string(text) != "somebody's" {
		t.Errorf("notes.txt: %q, %v", text, err)
	}
	fillShop(t, t.Context(), shop, quiet)
	for group, times := range stamps(t, site) {
		if first := time.UnixMilli(times[0]); first.Before(later.Add(-3 * time.Hour)) {
			t.Errorf("%s: a scan of the old story, of %v", group, first)
		}
	}
}

// TestDemoDirectory refuses directories that are somebody else's, or that an
// agent records in.
func TestDemoDirectory(t *testing.T) {
	dir := t.TempDir()
	writeFile(t, filepath.Join(dir, "thesis.txt"), "years of work")
	for _, fresh := range []bool{false, true} {
		_, err := demo.Open(demo.Options{Dir: dir, Listen: "127.0.0.1:0", Fresh: fresh})
		if err == nil || !strings.Contains(err.Error(), "not a demo's: give --data an empty or new directory") {
			t.Errorf("fresh %v: %v", fresh, err)
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 1 {
		t.Errorf("the directory holds %v (%v)", entries, err)
	}

	dir = filepath.Join(t.TempDir(), "shop")
	site := filepath.Join(dir, "site.toml")
	fillShop(t, t.Context(), openShop(t, dir, time.Now(), false), quiet)
	start(t, "run", "--site", site)
	address := agentAt(t, dir)
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	for _, fresh := range []bool{false, true} {
		_, err := demo.Open(demo.Options{Dir: dir, Listen: "127.0.0.1:0", Fresh: fresh})
		if !errors.Is(err, store.ErrLocked) {
			t.Errorf("fresh %v, on the data of a running agent: %v", fresh, err)
		}
	}
	mustFail(t, exitFailed, []string{"the data directory is in use", "http://" + address, "--data"},
		"demo", "--data", dir, "--fresh", "--listen", "127.0.0.1:0")
	if after, err := os.ReadFile(site); err != nil || string(after) != string(text) {
		t.Errorf("the running agent's site file was changed (%v)", err)
	}
	stateAt(t, address)
}

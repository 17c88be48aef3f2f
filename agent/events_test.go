package agent

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

const eventsMap = historyMap + `
[[channel]]
name = "code"
role = "fault_code"
table = "input"
address = 0
type = "u16"
faults = { 3 = "high discharge temperature" }
`

// Half a day in seconds: the motor runs from 600 s, one load of 20 s and one
// rest of 20 s in turns, until a fault trips it at 6000 s. The fault stays for
// 120 s, half of which nobody reads it; it comes again at 8000 s and stays.
const tripAt, tripEnd, tripAgain, storyEnd = 6000, 6120, 8000, 8100

func tellStory(t *testing.T, rec *Recorder) {
	t.Helper()
	code := int64(0)
	var batch []scan.Scan
	for i := range int64(storyEnd + 1) {
		running, loaded := int64(0), int64(0)
		switch {
		case i == tripAt || i == tripAgain:
			code = 3
		case i == tripEnd:
			code = 0
		}
		if i >= 600 && i < tripAt {
			running = 1
			if (i-600)%40 < 20 {
				loaded = 1
			}
		}
		s := scan.Scan{MonoMS: i * 1000, WallMS: testStartMS + i*1000}
		s.Group = rec.Groups()[slices.IndexFunc(rec.Groups(), func(g *scan.Group) bool { return g.Index("running") >= 0 })]
		s.Values = make([]int64, len(s.Group.Channels))
		s.Values[s.Group.Index("running")], s.Values[s.Group.Index("loaded")], s.Values[s.Group.Index("code")] = running, loaded, code
		if i > tripAt+30 && i <= tripAt+90 {
			s.Reason, s.Values = scan.Timeout, nil
		}
		batch = append(batch, s)
	}
	if err := rec.Append(batch); err != nil {
		t.Fatal(err)
	}
}

// storyOf records the story and opens what it left.
func storyOf(t *testing.T, before ...func(*Recorder)) (*sitefile.Site, *History) {
	t.Helper()
	dir := t.TempDir()
	site := loadTestSite(t, dir, historySite, eventsMap)
	rec, err := OpenRecorder(site, Options{})
	if err != nil {
		t.Fatal(err)
	}
	tellStory(t, rec)
	for _, f := range before {
		f(rec)
	}
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
	h, err := OpenHistory(site, "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.Close() })
	return site, h
}

func listed(t *testing.T, h *History, q EventQuery) []string {
	t.Helper()
	var all []string
	for {
		page, err := h.Events(q)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range page.Events {
			all = append(all, fmt.Sprintf("%d %s %s%s %s", (int64(e.Time)-testStartMS)/1000, e.Kind, e.Subject, e.Data["change"], e.Text))
		}
		if len(page.Events) > q.Limit || page.Next != "" && len(page.Events) < q.Limit {
			t.Fatalf("a page of %d events, the limit is %d, next %q", len(page.Events), q.Limit, page.Next)
		}
		if q.After = page.Next; q.After == "" {
			return all
		}
	}
}

func TestChangesOfStateAreEvents(t *testing.T) {
	_, h := storyOf(t)
	// Unasked, loads and unloads do not drown the rest.
	got := listed(t, h, EventQuery{FromMS: testStartMS, ToMS: testStartMS + 86_400_000, Limit: 50})
	want := []string{
		"8000 fault m high discharge temperature (code 3): 2 times on record, before this at 2026-02-25 07:55",
		"8000 state mtrip a fault came while the machine stood (tripped), after 31 min stopped",
		"6120 fault m high discharge temperature (code 3): cleared after 2 min 0 s",
		"6091 state mfound read again after 1 min 1 s (timeout): tripped",
		"6030 state mlost nothing was read from here on (timeout), after 30 s tripped",
		"6000 fault m high discharge temperature (code 3): for the first time on record",
		"6000 state mtrip the machine tripped, after 20 s unloaded",
		"600 state mstart the motor started (loaded), after at least 10 min stopped",
		"0 state mfound the first reading: stopped",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	// Asked for, each of them is there: 135 loads in 5400 s of 40 s cycles, the
	// first of which is the start.
	loads := listed(t, h, EventQuery{Kinds: []string{"state"}, Changes: []string{"load"}, Limit: 1000})
	if len(loads) != 134 || loads[0] != "5960 state mload went on load (loaded), after 20 s unloaded" {
		t.Errorf("%d loads, the last %q", len(loads), loads[0])
	}
	lost := listed(t, h, EventQuery{Kinds: []string{"state"}, Changes: []string{"lost", "found"}, Limit: 10})
	wantLost := []string{"6091 state mfound read again after 1 min 1 s (timeout): tripped", "6030 state mlost nothing was read from here on (timeout), after 30 s tripped",
		"0 state mfound the first reading: stopped"}
	if !slices.Equal(lost, wantLost) {
		t.Errorf("got %q, want %q", lost, wantLost)
	}
}

// Pages of any size hold what one big page does, each event once, and figures
// count the same starts and load cycles.
func TestPagesOfEvents(t *testing.T) {
	_, h := storyOf(t, func(r *Recorder) {
		for range 5 { // five of the same millisecond
			if _, err := r.Note(Note{Text: "the same moment", Subject: "m"}); err != nil {
				t.Fatal(err)
			}
		}
	})
	all := EventQuery{Kinds: []string{"state", "fault", "note"}, Limit: 10_000}
	whole := listed(t, h, all)
	for _, size := range []int{1, 2, 7, 100} {
		all.Limit = size
		if got := listed(t, h, all); !slices.Equal(got, whole) {
			t.Errorf("pages of %d: %d events, as a whole %d", size, len(got), len(whole))
		}
	}
	count := map[string]float64{}
	for _, text := range whole {
		for _, word := range []string{"mstart", "mload"} {
			if strings.Contains(text, "state "+word+" ") {
				count[word]++
			}
		}
	}
	report, err := h.Figures(testStartMS, testStartMS+86_400_000, "m")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range report.Machines[0].Figures {
		if f.Name == "starts" && *f.Value != count["mstart"] {
			t.Errorf("%v starts among the events, the figure is %v", count["mstart"], *f.Value)
		}
	}
	for _, after := range []string{"yesterday", "1.2", "1.2.x", "1.-2.3"} {
		if _, err := h.Events(EventQuery{After: after, Limit: 1}); !errors.Is(err, ErrCursor) {
			t.Errorf("cursor %q: %v, want ErrCursor", after, err)
		}
	}
}

func TestFaultsOfAWindow(t *testing.T) {
	_, h := storyOf(t)
	at := func(s int64) int64 { return testStartMS + s*1000 }
	for _, tt := range []struct {
		name     string
		from, to int64
		want     string
	}{
		{"all", at(0), at(86_400), "[8000-none] [6000-6120] 2 6000 8000 on 220.001 unseen 61 still true"},
		{"before", at(0), at(5999), ""},
		{"the first", at(0), at(7000), "[6000-6120] 1 6000 6000 on 120 unseen 61 still false"},
		{"cut on the left", at(6060), at(7000), "[6000-6120] 0 none none on 60 unseen 30.5 still false"},
		{"cut on the right", at(5000), at(6010), "[6000-none] 1 6000 6000 on 10 unseen 0 still true"},
		{"between", at(6500), at(7000), ""},
		{"inside", at(8010), at(8020), "[8000-none] 0 none none on 10 unseen 0 still true"},
	} {
		faults, err := h.Faults(tt.from, tt.to)
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		for _, f := range faults {
			if f.Subject != "m" || f.Channel != "c.code" || f.Code != "3" || f.Text != "high discharge temperature" {
				t.Errorf("%s: %+v", tt.name, f)
			}
			when := func(s Stamp) string {
				if s == 0 {
					return "none"
				}
				return fmt.Sprint((int64(s) - testStartMS) / 1000)
			}
			for _, c := range f.Came {
				got += fmt.Sprintf("[%s-%s] ", when(c.From), when(c.To))
			}
			got += fmt.Sprintf("%d %s %s on %g unseen %g still %v", f.Times, when(f.First), when(f.Last), f.OnS, f.UnseenS, f.On)
		}
		if got != tt.want {
			t.Errorf("%s: got %q, want %q", tt.name, got, tt.want)
		}
	}
}

// Each start compares the files with the versions last kept; the old ones stay
// to be read.
func TestSetupIsKept(t *testing.T) {
	dir := t.TempDir()
	start := func(site, registers string) []string {
		t.Helper()
		rec, err := OpenRecorder(loadTestSite(t, dir, site, registers), Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer func() {
			if err := rec.Close(); err != nil {
				t.Error(err)
			}
		}()
		kept, err := rec.history.keepSetup(rec.Now().UnixMilli())
		if err != nil {
			t.Fatal(err)
		}
		var texts []string
		for _, e := range kept {
			texts = append(texts, e.Text)
			for _, version := range []string{"before", "after"} {
				if hash := e.Data[version]; hash != "" {
					if text, err := rec.history.Text(hash); err != nil || len(text) == 0 {
						t.Errorf("%s: the text %s: %v", e.Text, version, err)
					}
				}
			}
		}
		return texts
	}
	withTariff := historySite + "[tariff]\ncurrency = \"USD\"\n"
	other := strings.Replace(eventsMap, "address = 1", "address = 2", 1)
	for _, tt := range []struct {
		site, registers string
		want            []string
	}{
		{historySite, eventsMap, []string{"site.toml is kept for the first time", "map.toml is kept for the first time"}},
		{historySite, eventsMap, nil},
		{withTariff, eventsMap, []string{`site.toml has changed: tariff currency added: "USD". It may affect energy_cost, demand_cost, peak_demand, leak_cost and emissions of every window.`}},
		{withTariff, other, []string{`map.toml has changed: channel loaded address 2, was 1. It may affect every figure made from channel loaded of c.`}},
		{"# a remark\n" + withTariff, other, []string{"site.toml has changed in its comments or layout only"}},
		{withTariff, other, []string{"site.toml has changed in its comments or layout only"}},
		{strings.Replace(withTariff, `"map.toml"`, `"./map.toml"`, 1), other, []string{
			`site.toml has changed: device c map "./map.toml", was "map.toml". It may affect what is read from device c from now on, and every figure made from it.`,
			"./map.toml is kept for the first time", "map.toml is no longer used"}},
	} {
		if got := start(tt.site, tt.registers); !slices.Equal(got, tt.want) {
			t.Errorf("got\n%q\nwant\n%q", got, tt.want)
		}
	}
	h, err := OpenHistory(loadTestSite(t, dir, historySite, eventsMap), "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	first := h.Site().Files[0] // the version of the first start is still there
	if text, err := h.Text(first.Hash); err != nil || string(text) != historySite {
		t.Errorf("the first site file: %q, %v", text, err)
	}
	if _, err := h.Text(strings.Repeat("0", 64)); !errors.Is(err, store.ErrNoText) {
		t.Errorf("an unknown hash: %v", err)
	}
}

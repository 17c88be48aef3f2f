package agent

import (
	"context"
	"encoding/json"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// studySite is the story's site with a flow logger beside.
const studySite = historySite + `
[[line]]
name = "loggers"
kind = "file"
[[device]]
name = "flowmeter"
line = "loggers"
map = "logger.toml"
every = "10s"
`

const loggerMap = "protocol = \"file\"\n[[channel]]\nname = \"flow\"\nrole = \"flow\"\nunit = \"m³/min\"\n"

func studyOf(t *testing.T) *sitefile.Site {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "logger.toml"), []byte(loggerMap), 0o644); err != nil {
		t.Fatal(err)
	}
	return loadTestSite(t, dir, strings.Replace(studySite, `channels = { c = "*" }`, `channels = { c = "*", flowmeter = "*" }`, 1), eventsMap)
}

// fromStore are the scans of a store as files would give them.
func fromStore(h *History) func(context.Context, []*scan.Group, func(*scan.Scan) error) error {
	return func(_ context.Context, groups []*scan.Group, fn func(*scan.Scan) error) error {
		return h.Scans(0, 0, nil, func(s *scan.Scan) error {
			c := s.Clone()
			c.Group = groups[slices.IndexFunc(groups, func(g *scan.Group) bool { return g.Device == s.Group.Device && g.Name == s.Group.Name })]
			c.MonoMS = 0 // a file has none
			return fn(&c)
		})
	}
}

// flowScans are rows of a flow meter, one in 10 s: 2.5 m³/min while the story's
// machine is loaded.
func flowScans(_ context.Context, groups []*scan.Group, fn func(*scan.Scan) error) error {
	g := groups[slices.IndexFunc(groups, func(g *scan.Group) bool { return g.Device == "flowmeter" })]
	for i := int64(0); i <= storyEnd; i += 10 {
		s := scan.Scan{Group: g, WallMS: testStartMS + i*1000 + 300, Values: []int64{0 << 8}}
		if i >= 600 && i < tripAt && (i-600)%40 < 20 {
			s.Values[0] = 25<<8 | 1
		}
		if err := fn(&s); err != nil {
			return err
		}
	}
	return nil
}

func figuresJSON(t *testing.T, h *History, machine string) string {
	t.Helper()
	r, err := h.Figures(testStartMS, testStartMS+storyEnd*1000, machine)
	if err != nil {
		t.Fatal(err)
	}
	text, err := json.MarshalIndent(r, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func opened(t *testing.T, site *sitefile.Site) *History {
	t.Helper()
	h, err := OpenHistory(site, "test", nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.Close() })
	return h
}

// TestImportGivesTheSameFigures imports what an agent recorded into a new
// directory: figures and faults are the same, an undone import leaves nothing,
// and it can be made again.
func TestImportGivesTheSameFigures(t *testing.T) {
	site, own := storyOf(t)
	want := figuresJSON(t, own, "")
	wantFaults, err := own.Faults(testStartMS, testStartMS+storyEnd*1000)
	if err != nil || len(wantFaults) == 0 {
		t.Fatal(wantFaults, err)
	}
	fresh := *site
	fresh.Agent.DataDir = filepath.Join(t.TempDir(), "fresh")
	order := ImportOrder{FromMS: testStartMS, Scans: fromStore(own), Text: "the story", Data: map[string]string{"files": "story.csv"}, Texts: [][]byte{[]byte("mapping")}}
	for range 2 {
		done, err := Import(t.Context(), &fresh, order, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if done.Scans != storyEnd+1 {
			t.Errorf("%d scans, want %d", done.Scans, storyEnd+1)
		}
		h := opened(t, &fresh)
		if got := figuresJSON(t, h, ""); got != want {
			t.Errorf("the figures differ:\n%s\nwant\n%s", got, want)
		}
		faults, err := h.Faults(testStartMS, testStartMS+storyEnd*1000)
		if err != nil || !reflect.DeepEqual(faults, wantFaults) {
			t.Errorf("faults %+v (%v), want %+v", faults, err, wantFaults)
		}
		if err := h.Close(); err != nil {
			t.Fatal(err)
		}
		if _, err := Import(t.Context(), &fresh, order, Options{}); !errors.Is(err, ErrOverlap) || !strings.Contains(err.Error(), "--record") || !strings.Contains(err.Error(), "--undo") {
			t.Errorf("a second time: %v, want ErrOverlap with what to do", err)
		}
		undone, err := UndoImport(t.Context(), &fresh, done.Number, Options{})
		if err != nil || undone.Scans != done.Scans {
			t.Fatalf("undone %+v, %v", undone, err)
		}
		if _, err := UndoImport(t.Context(), &fresh, done.Number, Options{}); !errors.Is(err, ErrNoImport) {
			t.Errorf("undone twice: %v", err)
		}
		h = opened(t, &fresh)
		if faults, err := h.Faults(testStartMS, testStartMS+storyEnd*1000); err != nil || len(faults) != 0 {
			t.Errorf("faults of an undone import: %+v, %v", faults, err)
		}
		if n, ok := h.First(); ok {
			t.Errorf("a scan at %v is left", n)
		}
		h.Close()
	}
	h := opened(t, &fresh)
	page, err := h.Events(EventQuery{Limit: 100, Kinds: []string{store.KindImport, store.KindImportUndone}})
	if err != nil {
		t.Fatal(err)
	}
	all := ImportsOf(page.Events)
	if len(all) != 2 || all[0].Number != 1 || all[1].Number != 2 || !all[0].Undone || !all[1].Undone || all[0].Scans != storyEnd+1 ||
		all[0].From != Stamp(testStartMS).String() || all[0].Data["files"] != "story.csv" {
		t.Errorf("imports %+v", all)
	}
}

// TestImportBesideRecord merges a flow logger's rows into the record of a
// machine that has no flow meter. What the machine's own record tells is the
// same to the last bit, and there is a measured flow.
func TestImportBesideRecord(t *testing.T) {
	site, own := storyOf(t, func(r *Recorder) {
		if _, err := r.Note(Note{Text: "filter changed", Subject: "m"}); err != nil {
			t.Fatal(err)
		}
	})
	want := byName(t, own)
	if err := own.Close(); err != nil {
		t.Fatal(err)
	}
	rec, err := OpenRecorder(site, Options{}) // as the command note does while no agent runs: no scan in it
	if err != nil {
		t.Fatal(err)
	}
	belt, err := rec.Note(Note{Text: "belt changed", Subject: "m"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := rec.Note(Note{Text: "belt and pulley changed", Corrects: belt.Seq}); err != nil {
		t.Fatal(err)
	}
	leak, err := rec.history.store.AppendEvent(store.Event{Kind: analysis.KindTest, Subject: "s", Text: "a result"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := rec.history.store.AppendEvent(store.Event{Kind: analysis.KindTest, Subject: "s", Text: "taken back",
		Data: map[string]string{"withdraws": strconv.FormatUint(leak.Seq, 10)}}); err != nil {
		t.Fatal(err)
	}
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
	record, err := store.OpenReadOnly(site.Agent.DataDir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer record.Close()
	study := studyOf(t)
	done, err := Import(t.Context(), study, ImportOrder{FromMS: testStartMS + 300, Scans: flowScans, Record: record, Text: "study"}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if rows := uint64(storyEnd/10 + 1); done.Record != storyEnd+1 || done.Scans != storyEnd+1+rows {
		t.Errorf("%+v; want %d scans of the record and %d rows", done, storyEnd+1, rows)
	}
	h := opened(t, study)
	got := byName(t, h)
	for _, name := range []string{"loaded_time", "running_time", "starts", "load_cycles", "duty_cycle", "mean_load_cycle", "unloaded_time"} {
		if got[name] != want[name] {
			t.Errorf("%s: %s, in the record alone %s", name, got[name], want[name])
		}
	}
	if !strings.Contains(got["air_delivered"], "flowmeter.flow") || strings.Contains(want["air_delivered"], "flowmeter") {
		t.Errorf("air_delivered: %s, in the record alone %s", got["air_delivered"], want["air_delivered"])
	}
	page, err := h.Events(EventQuery{Limit: 100, Kinds: []string{kindNote, kindFault, analysis.KindTest}})
	if err != nil {
		t.Fatal(err)
	}
	kinds, numbers := map[string]int{}, map[string]string{}
	for _, e := range page.Events {
		kinds[e.Kind]++
		numbers[e.Text] = strconv.FormatUint(e.Seq, 10)
	}
	for _, e := range page.Events { // the numbers are others here
		if e.Text == "belt and pulley changed" && e.Data["corrects"] != numbers["belt changed"] {
			t.Errorf("the correction is of note %s, want %s", e.Data["corrects"], numbers["belt changed"])
		}
		if e.Text == "taken back" && e.Data["withdraws"] != numbers["a result"] {
			t.Errorf("the withdrawal is of test %s, want %s", e.Data["withdraws"], numbers["a result"])
		}
	}
	if !maps.Equal(kinds, map[string]int{kindNote: 3, kindFault: 3, analysis.KindTest: 2}) {
		t.Errorf("events of the record: %v, want its notes, that without a scan beside it too, and what its fault code told, each once", kinds)
	}
}

// byName are the machine's figures as JSON, by name.
func byName(t *testing.T, h *History) map[string]string {
	t.Helper()
	r, err := h.Figures(testStartMS, testStartMS+storyEnd*1000, "m")
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]string{}
	for _, f := range r.Machines[0].Figures {
		text, err := json.Marshal(f)
		if err != nil {
			t.Fatal(err)
		}
		all[f.Name] = string(text)
	}
	return all
}

// An import that ends with an error has changed nothing, and one into the
// directory of a running agent is refused.
func TestImportFails(t *testing.T) {
	site, own := storyOf(t)
	own.Close()
	later := func(_ context.Context, groups []*scan.Group, fn func(*scan.Scan) error) error {
		for i := range int64(2000) {
			s := scan.Scan{Group: groups[0], WallMS: testStartMS + 86_400_000 + i*1000, Values: make([]int64, len(groups[0].Channels))}
			if err := fn(&s); err != nil {
				return err
			}
		}
		return errors.New("row 2001 makes no sense")
	}
	before := treeOf(t, site.Agent.DataDir)
	if _, err := Import(t.Context(), site, ImportOrder{FromMS: testStartMS + 86_400_000, Scans: later}, Options{}); err == nil || !strings.Contains(err.Error(), "row 2001") {
		t.Fatalf("error %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Import(ctx, site, ImportOrder{FromMS: testStartMS + 86_400_000, Scans: later}, Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("ended: %v", err)
	}
	if after := treeOf(t, site.Agent.DataDir); !maps.Equal(before, after) {
		t.Error("the directory has changed")
	}
	a, err := Open(site, Options{Dial: noLine})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	if _, err := Import(t.Context(), site, ImportOrder{FromMS: testStartMS + 86_400_000, Scans: later}, Options{}); !errors.Is(err, store.ErrLocked) {
		t.Errorf("beside an agent: %v", err)
	}
}

// A disk that takes nothing ends an import at its first seal: it must not go on
// making the same blocks again and again.
func TestImportIntoFullDisk(t *testing.T) {
	site, own := storyOf(t)
	own.Close()
	before := treeOf(t, site.Agent.DataDir)
	full, taken := errors.New("no space left"), 0
	endless := func(_ context.Context, groups []*scan.Group, fn func(*scan.Scan) error) error {
		for i := range int64(100_000) {
			taken++
			s := scan.Scan{Group: groups[0], WallMS: testStartMS + 86_400_000 + i*1000, Values: make([]int64, len(groups[0].Channels))}
			if err := fn(&s); err != nil {
				return err
			}
		}
		return nil
	}
	_, err := Import(t.Context(), site, ImportOrder{FromMS: testStartMS + 86_400_000, Scans: endless}, Options{Store: store.Options{CommitFault: func(last bool) error {
		if taken > 0 && !last {
			return full
		}
		return nil
	}}})
	if !errors.Is(err, full) || taken > 8000 {
		t.Errorf("after %d scans: %v", taken, err)
	}
	if after := treeOf(t, site.Agent.DataDir); !maps.Equal(before, after) {
		t.Error("the directory has changed")
	}
}

// treeOf is every file of a directory but the lock.
func treeOf(t *testing.T, dir string) map[string]string {
	t.Helper()
	files := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || d.Name() == "lock" {
			return err
		}
		text, err := os.ReadFile(path)
		files[path] = string(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

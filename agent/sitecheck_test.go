package agent

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/poll"
	"loadscribe/agent/sitefile"
)

// TestSiteFiles changes the files beside a site that runs: what is told of each
// change is what loading the files then says.
func TestSiteFiles(t *testing.T) {
	dir := t.TempDir()
	site := loadTestSite(t, dir, fieldSite, fieldMap)
	a, err := Open(site, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	siteName, mapPath := site.Files[0].Name, filepath.Join(dir, "map.toml")
	put := func(path, text string) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	got, err := a.SiteFiles()
	if err != nil || got.Disk.State != "same" || len(got.Files) != 2 || got.Files[0].Text != fieldSite || got.Files[1].Name != "map.toml" ||
		!slices.Equal(got.Files[1].Devices, []string{"c", "other"}) {
		t.Fatalf("unchanged: %v %+v", err, got)
	}
	for _, tt := range []struct {
		name, site, mapText string
		state, sentence     string
		changes             []string // file: text
		problem             string   // file:line, message begins
	}{
		{"a comment", fieldSite + "# read by R. Vale\n", fieldMap, "differs", "in comments or layout only", nil, ""},
		{"another unit id", strings.Replace(fieldSite, "unit = 2", "unit = 3", 1), fieldMap, "differs", "1 setting. Such a change holds from the next start",
			[]string{siteName + ": device other unit 3, was 2"}, ""},
		{"a scale in the map", fieldSite, fieldMap + "scale = 0.1\n", "differs", "1 setting.", []string{"map.toml: channel energy scale added: 0.1"}, ""},
		{"a mistake", strings.Replace(fieldSite, "unit = 2", "unitt = 2", 1), fieldMap, "refused", "would not start: 1 mistake.", []string{
			siteName + ": device other unit removed: 2", siteName + ": device other unitt added: 2"}, siteName + ":17"},
		{"no TOML", fieldSite, fieldMap + "[[channel\n", "refused", "1 mistake", nil, "map.toml:18"},
		{"gone", "", "", "refused", "1 mistake", nil, siteName + ":0"},
	} {
		put(site.Path, tt.site)
		put(mapPath, tt.mapText)
		if tt.site == "" {
			if err := os.Remove(site.Path); err != nil {
				t.Fatal(err)
			}
		}
		got, err := a.SiteFiles()
		d := got.Disk
		if err != nil || d.State != tt.state || !strings.Contains(d.Sentence, tt.sentence) {
			t.Errorf("%s: %v, %s, %q", tt.name, err, d.State, d.Sentence)
		}
		var changes []string
		for _, c := range d.Changes {
			changes = append(changes, c.File+": "+c.Text)
			if c.Affects == "" {
				t.Errorf("%s: %+v affects nothing that is told", tt.name, c)
			}
		}
		if !slices.Equal(changes, tt.changes) {
			t.Errorf("%s: changes %q, want %q", tt.name, changes, tt.changes)
		}
		_, loadErr := sitefile.Load(site.Path, sitefile.Options{})
		if (loadErr != nil) != (d.State == "refused") || (len(d.Problems) > 0) != (loadErr != nil) {
			t.Errorf("%s: %s with %+v, and loading gives %v", tt.name, d.State, d.Problems, loadErr)
		}
		if tt.problem != "" {
			file, line, _ := strings.Cut(tt.problem, ":")
			if p := d.Problems[0]; p.File != file || strconv.Itoa(p.Line) != line || p.Message == "" {
				t.Errorf("%s: %+v, want %s", tt.name, d.Problems, tt.problem)
			}
		}
		if got.Files[0].Text != fieldSite {
			t.Errorf("%s: what runs is said to be another text", tt.name)
		}
	}
}

// TestRegistersAndLines asks a running agent what stands in its devices, and
// what it asked for that.
func TestRegistersAndLines(t *testing.T) {
	site := loadTestSite(t, t.TempDir(), fieldSite, fieldMap)
	r := &registers{code: 3, energy: 0xBEEF}
	runAgentOn(t, site, r, func(a *Agent) bool {
		lines, err := a.Lines()
		if err != nil {
			t.Fatal(err)
		}
		l := lines.Lines[0]
		if len(l.Devices) != 2 || l.Devices[0].Answers < 5 || l.Devices[1].Reason == "" {
			return false
		}
		if l.Line != "net" || l.Kind != "modbus-tcp" || l.Where != "127.0.0.1:502" || l.Serial != "" || !l.Up || l.TimeoutMS != 1000 {
			t.Errorf("line %+v", l)
		}
		for _, d := range l.Devices {
			var failed int64
			for _, n := range d.Failures {
				failed += n
			}
			if d.Requests != d.Answers+failed || failed != 0 || d.Replies == nil || d.Replies.SuggestedTimeoutMS < 500 {
				t.Errorf("device %+v", d)
			}
		}
		if d := l.Devices[1]; d.Up || d.Reason != "wrong map" || d.Errors["wrong map"] == 0 {
			t.Errorf("the device with another map: %+v", d)
		}
		all := a.Registers("")
		if len(all.Devices) != 2 || len(a.Registers("c").Devices) != 1 || len(a.Registers("nobody").Devices) != 0 {
			t.Errorf("devices %+v", all.Devices)
		}
		c := all.Devices[0]
		if c.UnitID != 1 || c.Protocol != "modbus" || !slices.Equal(c.Verified, []string{"holding register 100 (u16) must hold 4820"}) {
			t.Errorf("device %+v", c)
		}
		e := c.Registers[1]
		if e.ID != "c.energy" || e.Function != 4 || e.Table != "input" || *e.Address != 1 || e.Count != 1 || e.Raw != "48879" ||
			!slices.Equal(e.Words, []string{"BEEF"}) || e.Value == nil || *e.Value != 48879 || e.Quality != "good" || e.Stale {
			t.Errorf("register %+v", e)
		}
		if o := all.Devices[1].Registers[1]; o.Raw != "" || len(o.Words) != 0 || o.Value != nil || o.Quality != "wrong map" {
			t.Errorf("register of the device with another map: %+v", o)
		}
		return true
	})
}

// runAgentOn runs an agent on a line in memory until done.
func runAgentOn(t *testing.T, site *sitefile.Site, r *registers, done func(*Agent) bool) {
	t.Helper()
	a, err := Open(site, Options{Dial: func(context.Context, *sitefile.Line) (poll.Client, error) { return r, nil }})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx, "", nil) }()
	for end := time.Now().Add(20 * time.Second); !done(a); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Error("waited 20 s")
			break
		}
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

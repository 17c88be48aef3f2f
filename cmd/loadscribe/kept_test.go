//go:build !windows

package main

import (
	"archive/zip"
	"encoding/json"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
)

// keptFolder has a folder for each format that a store ever had: formatN. In it are a
// store as the last program of that format left it, and figures.json, what that program itself
// said of it. From format 3 on it is a whole folder of a site, whole.zip, with all
// that lies in a data directory, a backup, an evidence bundle and a checkpoint.
const keptFolder = "../../agent/store/testdata"

var keep = flag.String("keep", "", "with TestKeepRecord: folder that gets whole.zip and figures.json of this program, such as "+keptFolder+"/format4")

// keptFigures are what the program of then said.
type keptFigures struct {
	MadeBy  string             `json:"made_by"` // its commit
	From    string             `json:"from"`
	To      string             `json:"to"`
	Figures map[string]float64 `json:"figures"` // of the only machine
}

// keptSite is the site of format 1 and 2, whose stores came without one.
const keptSite = `
[site]
name = "Kept"
timezone = "America/Chicago"
[agent]
listen = "127.0.0.1:0"
[[line]]
name = "net"
kind = "modbus-tcp"
address = "127.0.0.1:1"
[[device]]
name = "controller"
line = "net"
unit = 1
map = "controller.toml"
every = "1s"
[[device]]
name = "meter"
line = "net"
unit = 2
map = "meter.toml"
every = "1s"
[[machine]]
name = "comp1"
control = "load/unload"
rated_flow = "185 cfm"
rated_pressure = "125 psi"
rated_power = "37 kW"
channels = { controller = "*", meter = ["power"] }
`

const keptMap = "name = \"kept\"\nprotocol = \"modbus\"\naddressing = \"zero-based\"\n[[channel]]\ntable = \"input\"\naddress = 0\ntype = \"i16\"\n"

// layKept lays a kept record into a folder and returns its site file.
func layKept(t *testing.T, format string) string {
	t.Helper()
	dir, from := t.TempDir(), filepath.Join(keptFolder, format)
	site := filepath.Join(dir, "site.toml")
	if z, err := zip.OpenReader(filepath.Join(from, "whole.zip")); err == nil {
		defer z.Close()
		if err := os.CopyFS(dir, z); err != nil {
			t.Fatal(err)
		}
		return site
	}
	writeFile(t, site, keptSite)
	writeFile(t, filepath.Join(dir, "controller.toml"), keptMap+"name = \"pressure\"\nrole = \"discharge_pressure\"\nscale = 0.1\nunit = \"psi\"\n"+
		"[[channel]]\nname = \"loaded\"\nrole = \"loaded\"\ntable = \"discrete\"\naddress = 0\ntype = \"bit\"\n")
	writeFile(t, filepath.Join(dir, "meter.toml"), keptMap+"name = \"power\"\nrole = \"power\"\nscale = -0.5\noffset = 3\nunit = \"kW\"\n")
	if err := os.CopyFS(filepath.Join(dir, "data", "journal"), os.DirFS(filepath.Join(from, "journal"))); err != nil {
		t.Fatal(err)
	}
	packed, err := os.ReadFile(filepath.Join(from, "store.db.zst"))
	if err != nil {
		t.Fatal(err)
	}
	d, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	database, err := d.DecodeAll(packed, nil)
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, filepath.Join(dir, "data", "store.db"), string(database))
	return site
}

// figuresNow are the figures of the only machine that have a value.
func figuresNow(t *testing.T, site, from, to string, more ...string) map[string]float64 {
	t.Helper()
	var answer struct {
		Machines []struct {
			Figures []struct {
				Name  string
				Value *float64
			}
		}
	}
	args := append([]string{"summary", "--site", site, "--from", from, "--to", to, "--json"}, more...)
	if err := json.Unmarshal([]byte(mustRun(t, args...)), &answer); err != nil || len(answer.Machines) != 1 {
		t.Fatalf("%d machines, %v", len(answer.Machines), err)
	}
	values := map[string]float64{}
	for _, f := range answer.Machines[0].Figures {
		if f.Value != nil {
			values[f.Name] = *f.Value
		}
	}
	return values
}

// TestKeptRecords opens a record of every format that there was with the present program,
// through its commands: the figures are to the last bit those that the program of then gave, before the
// agent has touched it and after it has recorded on, and then the whole record verifies.
func TestKeptRecords(t *testing.T) {
	entries, err := filepath.Glob(filepath.Join(keptFolder, "format*"))
	if err != nil || len(entries) < 3 {
		t.Fatalf("%d kept records, %v", len(entries), err)
	}
	for _, e := range entries {
		format := filepath.Base(e)
		t.Run(format, func(t *testing.T) {
			var kept keptFigures
			text, err := os.ReadFile(filepath.Join(e, "figures.json"))
			if err == nil {
				err = json.Unmarshal(text, &kept)
			}
			if err != nil || len(kept.Figures) < 6 || kept.MadeBy == "" {
				t.Fatalf("%d figures of %q: %v", len(kept.Figures), kept.MadeBy, err)
			}
			site := layKept(t, format)
			check := func(when string, more ...string) {
				t.Helper()
				now := figuresNow(t, site, kept.From, kept.To, more...)
				for name, want := range kept.Figures {
					if got, ok := now[name]; !ok || got != want {
						t.Errorf("%s: %s is %v (there: %v), the program of then said %v; where a method was changed on purpose, take its figures out of %s/figures.json", when, name, got, ok, want, e)
					}
				}
			}
			check("as it was kept")
			whole := format != "format1" && format != "format2"
			if whole {
				checkWhole(t, filepath.Dir(site))
				check("from its backup", "--data", restoreKept(t, filepath.Dir(site)))
			}
			u := start(t, "run", "--site", site)
			agentAt(t, filepath.Dir(site))
			check("while it records on")
			if whole {
				checkMessages(t, site)
			}
			if code := u.stop(); code != exitFine {
				t.Fatalf("ended with %d: %s", code, u.stderr)
			}
			check("after that")
			mustRun(t, "verify", "--site", site)
			if whole {
				mustRun(t, "verify", "--site", site, "--checkpoint", filepath.Join(filepath.Dir(site), "kept.txt"))
				checkWhole(t, filepath.Dir(site))
			}
		})
	}
}

// checkMessages holds a running agent to the message that waited in a kept record: it waits
// on, or has by now become too old to be of use.
func checkMessages(t *testing.T, site string) {
	t.Helper()
	var all agent.Alarms
	if err := json.Unmarshal([]byte(mustRun(t, "alarms", "--site", site, "--json")), &all); err != nil {
		t.Fatal(err)
	}
	if len(all.Targets) != 1 || all.Targets[0].Waiting+all.Targets[0].GivenUp == 0 {
		t.Errorf("messages: %+v, want one that waits", all.Targets)
	}
}

// checkWhole looks at what a whole folder has beside the store: who may sign in, alarms,
// notes, and the files that people carry away.
func checkWhole(t *testing.T, dir string) {
	t.Helper()
	site := filepath.Join(dir, "site.toml")
	for _, c := range []struct {
		args []string
		want []string
	}{
		{[]string{"people", "list", "--site", site, "--json"}, []string{`"name": "R. Vale"`, `"role": "operate"`}},
		{[]string{"events", "--site", site, "--from", "2026-01-01", "--to", "now", "--kind", "note"}, []string{"belt changed"}},
		{[]string{"alarms", "history", "--site", site, "--from", "2026-01-01"}, []string{"silent, raised: "}},
		{[]string{"verify", filepath.Join(dir, "bundle.zip")}, nil},
		{[]string{"verify", filepath.Join(dir, "bundle.zip"), "--checkpoint", filepath.Join(dir, "kept.txt")}, nil},
	} {
		out := mustRun(t, c.args...)
		for _, want := range c.want {
			if !strings.Contains(out, want) {
				t.Errorf("%v: no %q in\n%s", c.args, want, out)
			}
		}
	}
}

// restoreKept makes a data directory of a kept backup.
func restoreKept(t *testing.T, dir string) string {
	t.Helper()
	restored := filepath.Join(t.TempDir(), "data")
	if err := os.MkdirAll(restored, 0o700); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, "kept.backup"))
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, filepath.Join(restored, "store.db"), string(text))
	return restored
}

// TestKeepRecord makes a record to keep, of the format that this program writes: the day
// of handmadeScans, whose figures stand in testdata/script/stored.txt by hand, then an agent whose
// line is dead, a note, somebody who may sign in, and a message that nobody takes.
func TestKeepRecord(t *testing.T) {
	if *keep == "" {
		t.Skip("makes a record to keep: -keep FOLDER")
	}
	dir := t.TempDir()
	site := filepath.Join(dir, "site.toml")
	script := readText(t, "cmd/loadscribe/testdata/script/stored.txt")
	_, script, _ = strings.Cut(script, "-- site.toml --\n")
	text, script, _ := strings.Cut(script, "-- meter.toml --\n")
	meter, _, _ := strings.Cut(script, "-- summary.txt --\n")
	text = strings.Replace(text, "127.0.0.1:502", "127.0.0.1:1", 1)
	writeFile(t, site, "agent.listen = \"127.0.0.1:0\"\n"+text+`
[[alarm]]
name = "silent"
on = "no data"
after = "1s"
[[webhook]]
name = "dispatch"
url = "http://127.0.0.1:1/air"
secret_file = "dispatch.secret"
`)
	writeFile(t, filepath.Join(dir, "dispatch.secret"), "an invented secret of this record\n")
	writeFile(t, filepath.Join(dir, "meter.toml"), meter)
	loaded, err := sitefile.Load(site, sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	rec, err := agent.OpenRecorder(loaded, agent.Options{Version: "test", Clock: fixedClock{handmadeBegin.UnixMilli()}})
	if err != nil {
		t.Fatal(err)
	}
	if err := rec.Append(handmadeScans(rec.Groups()[0])); err != nil {
		t.Fatal(err)
	}
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
	program, err := exec.LookPath("loadscribe")
	if err != nil {
		t.Fatal(err)
	}
	add := exec.Command(program, "people", "add", "R. Vale", "--role", "operate", "--site", site)
	add.Stdin = strings.NewReader("a mild winter by the sea\n")
	if out, err := add.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	u := start(t, "run", "--site", site)
	agentAt(t, dir)
	mustRun(t, "note", "--site", site, "--machine", "comp1", "belt changed")
	eventually(t, "a message that waits", 30*time.Second, func() bool {
		var all agent.Alarms
		err := json.Unmarshal([]byte(mustRun(t, "alarms", "--site", site, "--json")), &all)
		return err == nil && len(all.Targets) == 1 && all.Targets[0].Waiting > 0
	})
	if code := u.stop(); code != exitFine {
		t.Fatalf("ended with %d: %s", code, u.stderr)
	}
	mustRun(t, "backup", "--site", site, "--out", filepath.Join(dir, "kept.backup"))
	mustRun(t, "export", "--site", site, "--format", "evidence", "--from", "2026-03-03T14:00:00Z", "--to", "2026-03-03T14:30:00Z", "--out", filepath.Join(dir, "bundle.zip"))
	mustRun(t, "checkpoint", "--site", site, "--out", filepath.Join(dir, "kept.txt"))
	kept := keptFigures{MadeBy: version, From: "2026-03-03T14:00:00Z", To: "2026-03-03T14:21:00Z"}
	kept.Figures = figuresNow(t, site, kept.From, kept.To)
	figures, err := json.MarshalIndent(kept, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(*keep, 0o755); err != nil {
		t.Fatal(err)
	}
	writeFile(t, filepath.Join(*keep, "figures.json"), string(figures)+"\n")
	out, err := os.Create(filepath.Join(*keep, "whole.zip"))
	if err != nil {
		t.Fatal(err)
	}
	z := zip.NewWriter(out)
	if err := z.AddFS(os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
	names := []string{}
	if err := filepath.WalkDir(dir, func(path string, e os.DirEntry, err error) error {
		names = append(names, strings.TrimPrefix(path, dir))
		return err
	}); err != nil {
		t.Fatal(err)
	}
	slices.Sort(names)
	t.Logf("kept %q", names)
}

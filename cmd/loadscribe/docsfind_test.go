//go:build !windows

package main

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"loadscribe/cmd/loadscribe/stage"
)

// read is a file of the page's folder.
func (r *docRun) read(name string) string {
	text, err := os.ReadFile(filepath.Join(r.dir, filepath.FromSlash(name)))
	if err != nil {
		r.t.Fatal(err)
	}
	return string(text)
}

func (r *docRun) copied(from, to string) {
	if err := os.CopyFS(filepath.Join(r.dir, to), os.DirFS(from)); err != nil {
		r.t.Fatal(err)
	}
}

// asked runs a command that must end well and reads the JSON that it prints.
func (r *docRun) asked(into any, line string) {
	code, out, errs := r.shell(line)
	if code != exitFine {
		r.t.Fatalf("%s ends with %d: %s", line, code, errs)
	}
	if err := json.Unmarshal([]byte(out), into); err != nil {
		r.t.Fatalf("%s: %v", line, err)
	}
}

// demo is a folder with the demo as its command leaves it.
func (d *docs) demo() string {
	d.demoOnce.Do(func() {
		r := &docRun{docs: d, t: d.t, page: &docPage{name: "demo"}, dir: filepath.Dir(d.recorded)}
		l := docLasting[len(docLasting)-1]
		r.lasts(0, "loadscribe demo --data "+docDemo, &l)
		for _, m := range r.mistakes {
			d.t.Error(m)
		}
	})
	return filepath.Join(filepath.Dir(d.recorded), docDemo)
}

const docDemo = "demo"

// bundleMade is an evidence bundle of a day.
func (r *docRun) bundleMade() string {
	const name = "made.zip"
	if !r.has(name) {
		if code, _, errs := r.shell("loadscribe export --site site.toml --format evidence --from 2026-03-02 --to 2026-03-02 --out " + name); code != exitFine {
			r.t.Fatal(errs)
		}
	}
	return name
}

// checkpointKept is a file with the newest checkpoint.
func (r *docRun) checkpointKept() string {
	const name = "kept.txt"
	if !r.has(name) {
		if code, _, errs := r.shell("loadscribe checkpoint --site site.toml --out " + name); code != exitFine {
			r.t.Fatal(errs)
		}
	}
	return "--checkpoint " + name
}

// reportMade is when the page's report was made, and the report that holds the checkpoint.
func (r *docRun) reportMade() string {
	var report struct {
		Made struct {
			At string `json:"at"`
		} `json:"made"`
	}
	if err := json.Unmarshal([]byte(r.read("audit/report.json")), &report); err != nil || report.Made.At == "" {
		r.t.Fatalf("report.json: made at %q, %v", report.Made.At, err)
	}
	return report.Made.At + " --checkpoint audit/report.json"
}

// event is the number of the newest or the first event of a kind.
func (r *docRun) event(kind string, newest bool) string {
	var answer struct {
		Events []struct {
			Seq  uint64 `json:"seq"`
			Kind string `json:"kind"`
		} `json:"events"`
	}
	r.asked(&answer, "loadscribe events --site site.toml --from 2020-01-01 --json --kind "+kind)
	if len(answer.Events) == 0 {
		r.t.Fatalf("%s: no event of the kind %s", r.page.name, kind)
	}
	if newest {
		return fmt.Sprint(answer.Events[0].Seq)
	}
	return fmt.Sprint(answer.Events[len(answer.Events)-1].Seq)
}

// siteHash is the hash of the site file, which an agent that starts keeps.
func (r *docRun) siteHash() string {
	r.running()
	r.stopped()
	return fmt.Sprintf("%x", sha256.Sum256([]byte(r.read(stage.SiteFile))))
}

// alarmStanding is the id of an alarm that stands: the page's site has one that is
// raised by any pressure.
func (r *docRun) alarmStanding() string {
	r.running()
	id := ""
	eventually(r.t, "an alarm", 20*time.Second, func() bool {
		var answer struct {
			Standing []struct {
				ID string `json:"id"`
			} `json:"standing"`
		}
		r.asked(&answer, "loadscribe alarms --site site.toml --json")
		if len(answer.Standing) > 0 {
			id = answer.Standing[0].ID
		}
		return id != ""
	})
	return id
}

// restored is a folder with a backup under the name that a record has.
func (r *docRun) restored() string {
	const folder = "restored"
	if !r.has(folder) {
		r.write(folder+"/store.db", r.read("shop-2026-03-09.backup"))
	}
	return "--data " + folder
}

// jobBegun is the id of the job in the last answer.
func (r *docRun) jobBegun() string {
	if m := regexp.MustCompile(`"id":\s*"([^"]+)"`).FindStringSubmatch(r.said); m != nil {
		return m[1]
	}
	r.t.Fatalf("%s: no job in %s", r.page.name, r.said)
	return ""
}

// loggersFiles are what the two loggers of the page wrote.
func (r *docRun) loggersFiles() {
	b := &importBench{t: r.t, dir: r.dir}
	b.loggersFiles(3, 0, 0)
	r.write("amps-1.csv", r.read("power.csv"))
}

// study is a site with the machine that was recorded and a logger beside it.
func (r *docRun) study() {
	text := strings.Replace(r.read("site.toml"), `data = "data"`, `data = "study-data"`, 1)
	r.write("study.toml", text+docStudyMore)
	for _, name := range []string{"maps/flow-logger.toml", "maps/power-logger.toml"} {
		r.write(name, r.read("configs/"+name))
	}
}

const docStudyMore = `
[[line]]
name = "loggers"
kind = "file"

[[device]]
name = "flow"
line = "loggers"
map = "maps/flow-logger.toml"
every = "10s"

[[device]]
name = "power"
line = "loggers"
map = "maps/power-logger.toml"
every = "5s"
`

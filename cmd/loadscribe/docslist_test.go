//go:build !windows

package main

import (
	"fmt"
	"log/slog"
	"path/filepath"

	"loadscribe/dashboard/door"
)

// docTools are programs that pages use beside ours and that do no harm in a scratch
// folder.
var docTools = []string{"base64", "cat", "cd", "cmp", "cp", "curl", "head", "mkdir", "printf", "python3", "sed", "umask"}

// docTyped is what commands read that ask for something.
const docTyped = "seven hens crossed the yard\n"

// docNeedRunning are commands that ask a running agent; docNeedStopped those that
// refuse one.
var (
	docNeedRunning = []string{"alarms acknowledge", "alarms test-message", "audit begin", "audit mark", "people code", "people sessions", "test list", "test withdraw"}
	docNeedStopped = []string{"import", "compact", "run"}
)

// docException is a line that no test can run as it stands. The parser has looked at
// its flags and arguments all the same.
type docException struct {
	page   string // "" for all
	begins string // what the line begins with
	why    string
}

func (e *docException) key() string { return "exception " + e.page + " " + e.begins }

var docExceptions = []docException{
	{"README.md", "make demo", "builds everything; TestDemoServesEveryCommand and the pages' checks run the demo"},
	{"README.md", "make test", "runs this test"},
	{"README.md", "loadscribe import", "the mapping is one's own; the lines of docs/importing.md are run"},
	{"", "loadscribe service install", "changes the computer; cmd/loadscribe/service installs against a scripted systemctl"},
	{"", "loadscribe probe --hookup", "somebody walks through it beside the machine; TestHookupLeadsThePerson does"},
	{"", "loadscribe probe --port", "asks a serial port; TestProbeWritesAMapThatRuns asks a pseudo-terminal"},
	{"", "loadscribe test pump-up", "takes a quarter of an hour beside the machine; TestGuidedCommand leads through it"},
	{"", "loadscribe test leak", "takes a quarter of an hour after hours; TestGuidedCommand leads through it"},
	{"docs/guided-tests.md", "loadscribe test cancel", "no test is under way; TestGuidedCommand cancels one"},
	{"docs/guided-tests.md", "loadscribe test withdraw", "no test was filed; TestGuidedCommand withdraws one"},
	{"docs/audit-week.md", "sudo cp", "the folder of the test has both already"},
	{"docs/install.md", "sudo apt", "changes the computer; .ci/deb installs, updates and purges the package by dpkg"},
	{"docs/install.md", "tar", "the archive is not made yet; .ci/release unpacks and runs it"},
	{"docs/install.md", "git", "fetches the source; .ci/release clones it"},
	{"docs/install.md", "make", "builds everything twice over; .ci/release does"},
	{"docs/install.md", "diff", "the same"},
	{"docs/alarms.md", "loadscribe alarms test-message", "needs a mail server; TestAlarmMessages has one"},
}

// docLasting are commands that go on until they are stopped.
var docLasting = []docLasts{
	{begins: "loadscribe simulate", but: []string{"--list", "--record", "--write-scenario"}, port: "--tcp", up: "Ctrl-C stops it"},
	{begins: "loadscribe run", port: "--listen", up: "http://127.0.0.1:"},
	{begins: "loadscribe new", port: "--listen", up: "http://127.0.0.1:"},
	{begins: "loadscribe demo", port: "--listen", up: "Ctrl-C stops it"},
}

// docStandIn is what a page leaves open and what stands there in the test.
type docStandIn struct {
	page, shown, here string
	find              func(r *docRun) string // in place of here
}

func (s *docStandIn) key() string { return "stand-in " + s.page + " " + s.shown }

var docStandIns = []docStandIn{
	{shown: "bin/loadscribe ", here: "loadscribe "},
	{shown: "--site FILE", here: "--site site.toml"},
	{"README.md", "loadscribe new --site site.toml", "loadscribe new --site new.toml", nil},
	{"docs/install.md", "loadscribe new --site site.toml", "loadscribe new --site new.toml", nil},
	{"docs/install.md", "new --site /etc/loadscribe/site.toml", "new --site new.toml", nil},
	{"docs/install.md", "/etc/loadscribe/site.toml", "site.toml", nil},
	{"docs/audit-week.md", "loadscribe new --site site.toml", "loadscribe new --site new.toml", nil},
	{"docs/hooking-up.md", "loadscribe new --site site.toml", "loadscribe new --site new.toml", nil},
	{shown: "--address 192.0.2.7:502", find: func(r *docRun) string { r.running(); return "--address " + r.agent.plant.address }},
	{"docs/register-maps.md", "--watch 60s", "--watch 1s", nil},
	{"docs/register-maps.md", "--watch 10s", "--watch 1s", nil},
	{"docs/hooking-up.md", "--unit 1 --table input --table holding", "--unit 1 --table input --table holding --watch 1s", nil},
	{"docs/audit-week.md", "--from 2026-03-02 --to 2026-03-08 --checkpoint", "--from 2026-03-02 --to 2026-03-02 --checkpoint", nil}, // a week has 7 million rows
	{"docs/audit-week.md", "2026-03-02/2026-03-08 --after 2026-03-16/2026-03-22", "2026-03-02/2026-03-04 --after 2026-03-05/2026-03-07", nil},
	{shown: "--from DATE --to DATE", here: "--from 2026-03-02 --to 2026-03-03"},
	{shown: "--out DIR", here: "--out report-out"},
	{shown: "--out FILE", find: func(r *docRun) string { r.outs++; return fmt.Sprintf("--out out-%d", r.outs) }},
	{shown: "--before FROM/TO --after FROM/TO", here: "--before 2026-03-02/2026-03-04 --after 2026-03-05/2026-03-07"},
	{shown: "--set KEY=VALUE", here: "--set comp1.cut_out=112psi"},
	{shown: "--checkpoint FILE", find: (*docRun).checkpointKept},
	{shown: "verify BUNDLE", find: func(r *docRun) string { return "verify " + r.bundleMade() }},
	{shown: "sudo ", here: ""},
	{shown: "/srv/loadscribe", here: "."},
	{shown: "curl ", here: "curl -fsS "},
	{"docs/before-after.md", "2026-03-02/2026-03-15 --after 2026-04-06/2026-04-19", "2026-03-02/2026-03-04 --after 2026-03-05/2026-03-07", nil},
	{"docs/before-after.md", "-8w/-4w --after -2w/now", "-1w/-4d --after -3d/now", nil},
	{"docs/report.md", "2026-03-16 --to 2026-03-22 --before 2026-03-02/2026-03-08", "2026-03-06 --to 2026-03-08 --before 2026-03-02/2026-03-05", nil},
	{"docs/report.md", "2026-03-09T14:10:00.000Z --checkpoint report.json", "", (*docRun).reportMade},
	{"docs/report.md", "cmp report.pdf", "cmp audit/report.pdf", nil},
	{"docs/exports.md", "--from 2026-03-02 --to 2026-03-08", "--from 2026-03-02 --to 2026-03-02", nil}, // a week has 7 million rows
	{"docs/leaks.md", "41", "", func(r *docRun) string { return r.event("leak_tag", false) }},
	{"docs/health.md", "--effect 41", "", func(r *docRun) string { return "--effect " + r.event("note", true) }},
	{"docs/events.md", "--corrects 12", "", func(r *docRun) string { return "--corrects " + r.event("note", true) }},
	{"docs/events.md", "5f0c…", "", (*docRun).siteHash},
	{"docs/alarms.md", "k3f9a2bc", "", (*docRun).alarmStanding},
	{"docs/keeping-data.md", "--data FOLDER", "", (*docRun).restored},
	{"docs/importing.md", "OTHER_DATA_DIR", "data", nil},
	{"docs/importing.md", "--align ", "--data aligned-data --align ", nil},
	{"docs/replay.md", "loadscribe-demo/data/agent.json", "", func(r *docRun) string { r.running(); return "data/agent.json" }},
	{"docs/replay.md", "http://127.0.0.1:8477/", "", func(r *docRun) string { r.running(); return "http://" + r.agent.address + "/" }},
	{"docs/replay.md", `id=ID`, "", func(r *docRun) string { return "id=" + r.jobBegun() }},
	{"docs/replay.md", `"id": "ID"`, "", func(r *docRun) string { return `"id": "` + r.jobBegun() + `"` }},
}

// docSite and docScenario are whole files that the examples are put into; what comes of
// it lies in the same folder, with the maps.
const (
	docSite     = "configs/whole.toml"
	docScenario = "configs/whole-scenario.toml"
)

// docSiteMore is what the site of the examples has beside configs/joinery.toml, so that
// every page finds what it speaks of.
const docSiteMore = `
[[line]]
name = "loggers"
kind = "file"

[[device]]
name = "flow"
line = "loggers"
map = "maps/flow-logger.toml"
every = "10s"

[[device]]
name = "inputs"
line = "meter-net"
unit = 9
map = "maps/inputs.toml"
every = "1s"
`

// docMapMore is the map of its device "inputs".
const docMapMore = `
name = "Inputs of the examples"
protocol = "modbus"

[[channel]]
name = "power"
role = "power"
table = "input"
address = 0
type = "u16"
unit = "kW"

[[channel]]
name = "receiver_pressure"
role = "receiver_pressure"
table = "input"
address = 1
type = "u16"
unit = "psi"
`

// docFile is a file that pages name and that no block of theirs shows.
type docFile struct {
	name  string
	write func(r *docRun)
}

var docFiles = []docFile{
	{"shop.toml", copyOf("site.toml", "shop.toml")},
	{"changes.toml", copyOf("configs/replay/changes.toml", "changes.toml")},
	{"fleet-rules.yml", copyOf("configs/prometheus/fleet-rules.yml", "fleet-rules.yml")},
	{"fleet-alerts.yml", copyOf("configs/prometheus/fleet-alerts.yml", "fleet-alerts.yml")},
	{"recording.yml", copyOf("configs/prometheus/recording.yml", "recording.yml")},
	{"alerts.yml", copyOf("configs/prometheus/alerts.yml", "alerts.yml")},
	{"loadscribe-demo/site.toml", func(r *docRun) { r.copied(r.demo(), "loadscribe-demo") }},
	{"loggers.toml", func(r *docRun) {
		r.write("loggers.toml", r.read("configs/loggers.toml")+"\n[agent]\ndata = \"loggers-data\"\n")
	}},
	{"amps-1.csv", func(r *docRun) { r.loggersFiles() }},
	{"study.toml", (*docRun).study},
	{"data/door/certificate.pem", func(r *docRun) {
		if _, err := door.OpenCertificate(door.CertificateOptions{Dir: filepath.Join(r.dir, "data", "door"), Log: slog.New(slog.DiscardHandler)}); err != nil {
			r.t.Fatal(err)
		}
	}},
}

// copyOf writes a file with the content of another one of the folder.
func copyOf(from, to string) func(*docRun) {
	return func(r *docRun) { r.write(to, r.read(from)) }
}

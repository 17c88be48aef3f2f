package samples

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"loadscribe/agent/analysis"
	"loadscribe/agent/publish/remote"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const siteText = `[site]
name = "Invented Mill"
timezone = "Europe/Paris"

[[line]]
name = "net"
kind = "modbus-tcp"
address = "127.0.0.1:1502"

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
every = "2s"

[[machine]]
name = "comp1"
control = "load/unload"
rated_flow = "5 m3/min"
channels = { controller = "*", meter = "*" }

[[system]]
name = "main"
machines = ["comp1"]
parts = [{ name = "receiver", kind = "receiver", volume = "1000 L" }]
taps = [{ at = "receiver", pressure = "controller.discharge_pressure" }]
`

var mapTexts = map[string]string{
	"controller.toml": `name = "controller (invented)"
protocol = "modbus"

[[channel]]
name = "discharge_pressure"
role = "discharge_pressure"
table = "input"
address = 0
type = "u16"
scale = 0.1
unit = "bar"

[[channel]]
name = "running"
role = "motor_running"
table = "discrete"
address = 0
type = "bit"

[[channel]]
name = "loaded"
role = "loaded"
table = "discrete"
address = 1
type = "bit"
`,
	"meter.toml": `name = "meter (invented)"
protocol = "modbus"

[[channel]]
name = "power"
role = "power"
table = "input"
address = 0
type = "u16"
scale = 0.1
unit = "kW"
`,
}

// testClock is set by hand.
type testClock struct{ mono, wall int64 }

func (c *testClock) Now() (int64, int64) { return c.mono, c.wall }

// rig is a site with a store that scans are put into.
type rig struct {
	t      testing.TB
	dir    string
	site   *sitefile.Site
	clock  testClock
	store  *store.Store
	folder *analysis.Folder
	groups []*scan.Group
	o      store.Options
}

// noPhase is a site whose cells begin with the minute.
const noPhase = "mill-164146"

// noon is a Tuesday in March 2026.
var noon = time.Date(2026, 3, 10, 12, 0, 0, 0, time.UTC).UnixMilli()

func newRig(t testing.TB) *rig {
	t.Helper()
	r := &rig{t: t, dir: t.TempDir(), clock: testClock{1000, noon}}
	r.write(siteText)
	r.open()
	t.Cleanup(func() { _ = r.store.Close() })
	return r
}

// write gives the site another text.
func (r *rig) write(text string) {
	r.t.Helper()
	files := map[string]string{"site.toml": text}
	for name, text := range mapTexts {
		files[name] = text
	}
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(r.dir, name), []byte(text), 0o600); err != nil {
			r.t.Fatal(err)
		}
	}
	site, err := sitefile.Load(filepath.Join(r.dir, "site.toml"), sitefile.Options{})
	if err != nil {
		r.t.Fatal(err)
	}
	r.site = site
}

// open opens the store as an agent does; its monotonic clock begins anew.
func (r *rig) open() {
	r.t.Helper()
	groups := sitefile.Groups(r.site)
	r.folder = analysis.NewFolder(r.site, groups)
	r.o.Clock, r.o.Summariser = &r.clock, r.folder
	var err error
	if r.store, err = store.Open(r.site.Agent.DataDir, r.o); err != nil {
		r.t.Fatal(err)
	}
	if r.groups, err = r.store.Register(groups); err != nil {
		r.t.Fatal(err)
	}
}

// restart stops the agent for a time.
func (r *rig) restart(away time.Duration) {
	r.t.Helper()
	if err := r.store.Close(); err != nil {
		r.t.Fatal(err)
	}
	r.clock.mono, r.clock.wall = 500, r.clock.wall+away.Milliseconds()
	r.open()
}

func (r *rig) pass(d time.Duration) {
	r.clock.mono += d.Milliseconds()
	r.clock.wall += d.Milliseconds()
}

func (r *rig) group(device string) *scan.Group {
	for _, g := range r.groups {
		if g.Device == device {
			return g
		}
	}
	r.t.Fatalf("no group of %s", device)
	return nil
}

// put appends a scan at the clock's time; no values: it failed.
func (r *rig) put(device string, values ...int64) {
	r.t.Helper()
	s := scan.Scan{Group: r.group(device), MonoMS: r.clock.mono, WallMS: r.clock.wall, Values: values}
	if values == nil {
		s.Reason = scan.Timeout
	}
	if err := r.store.Append([]scan.Scan{s}); err != nil {
		r.t.Fatal(err)
	}
}

// late appends a scan that began a while ago, on a line that is slower than the other.
func (r *rig) late(device string, ago time.Duration, values ...int64) {
	r.t.Helper()
	r.pass(-ago)
	r.put(device, values...)
	r.pass(ago)
}

// run polls for a time: the machine loads and unloads each half minute.
func (r *rig) run(d time.Duration) {
	r.t.Helper()
	for end := r.clock.mono + d.Milliseconds(); r.clock.mono < end; r.pass(time.Second) {
		second := r.clock.wall / 1000
		loaded := second / 30 % 2
		r.put("controller", 65+second%30/3, 1, loaded)
		if second%2 == 0 {
			r.put("meter", 90+280*loaded+second%7)
		}
	}
	r.sync()
}

func (r *rig) sync() {
	r.t.Helper()
	if err := r.store.Sync(); err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) options() Options {
	return Options{Site: r.site, Groups: r.groups, Label: noPhase, Every: 15 * time.Second, Levels: r.folder.Calibrations}
}

func (r *rig) source() *Source { return New(r.store, r.options()) }

// got is all samples by series, as "name{…}".
type got map[string][]remote.Sample

func nameOf(labels []remote.Label) string {
	var name string
	var rest []string
	for _, l := range labels {
		if l.Name == remote.NameLabel {
			name = strings.TrimPrefix(l.Value, "loadscribe_")
		} else if l.Name != "site" {
			rest = append(rest, l.Value)
		}
	}
	return name + "{" + strings.Join(rest, ",") + "}"
}

// take adds a batch and holds it to the rules of remote write: sorted labels, each set
// once, rising stamps.
func (g got) take(t testing.TB, b *remote.Batch) {
	t.Helper()
	seen := map[string]bool{}
	for _, s := range b.Series {
		name := nameOf(s.Labels)
		if !validLabels(s.Labels) || seen[name] || len(s.Samples) == 0 {
			t.Fatalf("series %v, seen %v, %d samples", s.Labels, seen[name], len(s.Samples))
		}
		seen[name] = true
		if i := slices.IndexFunc(s.Labels, func(l remote.Label) bool { return l.Name == "site" && l.Value != "" }); i < 0 {
			t.Fatalf("%s has no site", name)
		}
		for _, one := range s.Samples {
			if before := g[name]; len(before) > 0 && one.TimeMS <= before[len(before)-1].TimeMS {
				t.Fatalf("%s: %d after %d", name, one.TimeMS, before[len(before)-1].TimeMS)
			}
			g[name] = append(g[name], one)
		}
	}
}

// drain asks a Source until nothing is left, and returns where it is then.
func drain(t testing.TB, s *Source, after remote.Position, most int, g got) remote.Position {
	t.Helper()
	for rounds := 0; ; rounds++ {
		b, more, err := s.Next(context.Background(), after, nil, most)
		if err != nil {
			t.Fatal(err)
		}
		g.take(t, &b)
		if b.Next != nil {
			after = b.Next
		}
		if !more {
			return after
		}
		if rounds > 100_000 {
			t.Fatal("it never ends")
		}
	}
}

func isStale(v float64) bool { return math.Float64bits(v) == remote.StaleBits }

// text is a series' samples as seconds since noon and values, "x" for a marker.
func (g got) text(name string) string {
	var all []string
	for _, s := range g[name] {
		value := fmt.Sprintf("%.6g", s.Value)
		if isStale(s.Value) {
			value = "x"
		}
		all = append(all, fmt.Sprintf("%g=%s", float64(s.TimeMS-noon)/1000, value))
	}
	return strings.Join(all, " ")
}

func (g got) want(t testing.TB, name, text string) {
	t.Helper()
	if have := g.text(name); have != text {
		t.Errorf("%s\n got %s\nwant %s", name, have, text)
	}
}

func bits(s remote.Sample) uint64 { return math.Float64bits(s.Value) }

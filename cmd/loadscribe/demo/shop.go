package demo

import (
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"text/template"
	"time"

	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// DataDir is where a shop's agent keeps its data, within the shop's directory.
const DataDir = "data"

//go:embed site.toml
var siteText string

const (
	storyFile = "demo.json"
	siteFile  = stage.SiteFile
	// week is what lies behind a new shop.
	week = 7 * 24 * time.Hour
	// warmUp lets the plant settle before its history begins.
	warmUp = 12 * time.Hour
	// scenario is the invented joinery.
	scenario = "joinery"
)

// Loopback ports that the simulated controller and meter take, if free.
const (
	controllerPort = 18502
	meterPort      = 18503
)

// story is what a shop needs to go on after a stop.
type story struct {
	Scenario string    `json:"scenario"`
	Seed     uint64    `json:"seed,omitempty"`
	Begin    time.Time `json:"begin"`   // of the simulated plant
	History  time.Time `json:"history"` // of the recorded week
	Filled   bool      `json:"filled"`  // the week is complete
	Zone     string    `json:"zone"`
	Week     string    `json:"week,omitempty"`  // the working days, "Mon-Fri"
	Trips    []trip    `json:"trips,omitempty"` // within the recorded week
}

// Shop is the invented shop in one directory.
type Shop struct {
	dir        string
	story      story
	now        func() time.Time
	world      *simulator.World
	controller net.Listener
	meter      net.Listener
	hourMeter  float64 // of the machine when the simulated plant begins, h
	Site       *sitefile.Site
}

// Options say where a shop lives.
type Options struct {
	Dir    string
	Listen string // of the agent, written to the site file
	// Fresh throws away an earlier demo in Dir. A directory that is not a
	// demo's is refused.
	Fresh bool
	// Now tells the time that the history leads up to; nil: time.Now.
	Now func() time.Time
	// Seed gives the plant another story; 0: the scenario's own.
	Seed uint64
	// History is how much lies behind a new shop; 0: a week.
	History time.Duration
	// Steady makes the same shop at whatever time it is made: it is between ten and
	// eleven there, on the third of its working days. For tests.
	Steady bool
}

// Open makes the shop in its directory, or goes on with the one that is there.
// It listens for the simulated devices, which answer once Serve runs.
func Open(o Options) (*Shop, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.History == 0 {
		o.History = week
	}
	s := &Shop{dir: o.Dir, now: o.Now}
	known, err := s.readStory()
	if err != nil {
		return nil, err
	}
	if known {
		if err := s.idle(); err != nil {
			return nil, err
		}
	}
	switch {
	case !known:
		err = emptyOrNew(o.Dir)
	case o.Fresh:
		err = s.throwAway()
	}
	if err != nil {
		return nil, err
	}
	if !known || o.Fresh {
		now := o.Now()
		zone, first := o.when(now)
		s.story = story{Scenario: scenario, Seed: o.Seed, Zone: zone.String(), Week: weekName(first), History: now.Add(-o.History).Truncate(time.Second)}
		s.story.Begin = s.story.History.Add(-warmUp)
		s.story.Trips = trips(s.story.History, now.Add(-warmUp), zone, first)
	}
	if err := s.listen(); err != nil {
		return nil, err
	}
	if err := errors.Join(s.writeFiles(o.Listen), s.build()); err != nil {
		s.Close()
		return nil, err
	}
	return s, nil
}

// Close lets go of the listeners.
func (s *Shop) Close() {
	s.controller.Close()
	s.meter.Close()
}

func (s *Shop) readStory() (known bool, err error) {
	path := filepath.Join(s.dir, storyFile)
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err == nil {
		err = json.Unmarshal(text, &s.story)
	}
	if err != nil {
		return false, fmt.Errorf("read the demo's %s: %w; give --data another directory", path, err)
	}
	return true, nil
}

func (s *Shop) writeStory() error {
	text, err := json.MarshalIndent(s.story, "", "  ")
	if err != nil {
		return fmt.Errorf("write %s: %w", storyFile, err)
	}
	path := filepath.Join(s.dir, storyFile)
	if err := os.WriteFile(path+".new", append(text, '\n'), 0o644); err != nil {
		return fmt.Errorf("write the demo's story: %w", err)
	}
	return os.Rename(path+".new", path)
}

// idle refuses a shop whose agent runs: its files would be changed under it. The
// error wraps store.ErrLocked.
func (s *Shop) idle() error {
	data, err := store.OpenReadOnly(filepath.Join(s.dir, DataDir), store.Options{})
	switch {
	case err == nil:
		return data.Close()
	case errors.Is(err, store.ErrLocked):
		return fmt.Errorf("a demo runs in %s: %w", s.dir, err)
	}
	return nil // nothing recorded yet, or what opening it for writing will mend or tell
}

// throwAway removes what a demo writes, and nothing that somebody put beside it.
func (s *Shop) throwAway() error {
	for _, name := range []string{DataDir, "maps", siteFile, stage.TruthFile, storyFile} {
		if err := os.RemoveAll(filepath.Join(s.dir, name)); err != nil {
			return fmt.Errorf("throw away the old demo: %w", err)
		}
	}
	return nil
}

// emptyOrNew refuses a directory that holds somebody's files.
func emptyOrNew(dir string) error {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("look into %s: %w", dir, err)
	}
	if len(entries) > 0 {
		return fmt.Errorf("%s holds files that are not a demo's: give --data an empty or new directory", dir)
	}
	return nil
}

// listen takes the simulated devices' ports, or free ones if those are taken.
func (s *Shop) listen() (err error) {
	if s.controller, err = listenNear(controllerPort); err != nil {
		return err
	}
	if s.meter, err = listenNear(meterPort); err != nil {
		s.controller.Close()
	}
	return err
}

func listenNear(port int) (net.Listener, error) {
	l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", port))
	if err != nil {
		l, err = net.Listen("tcp", "127.0.0.1:0")
	}
	if err != nil {
		return nil, fmt.Errorf("listen for a simulated device: %w", err)
	}
	return l, nil
}

// writeFiles lays out story, site file and maps.
func (s *Shop) writeFiles(listen string) error {
	if err := os.MkdirAll(s.dir, 0o755); err != nil {
		return fmt.Errorf("make the demo's directory: %w", err)
	}
	// First of all, since it marks the directory as a demo's.
	if err := s.writeStory(); err != nil {
		return err
	}
	if err := stage.WriteMaps(s.dir); err != nil {
		return err
	}
	t, err := template.New(siteFile).Parse(siteText)
	if err != nil {
		return fmt.Errorf("the demo's site file: %w", err)
	}
	f, err := os.Create(filepath.Join(s.dir, siteFile))
	if err != nil {
		return fmt.Errorf("write the demo's site file: %w", err)
	}
	err = t.Execute(f, map[string]string{"Zone": s.story.Zone, "Week": s.Week(), "Listen": listen,
		"SensorsCalibrated": s.daysBefore(311), "MeterCalibrated": s.daysBefore(146),
		"Controller": s.controller.Addr().String(), "Meter": s.meter.Addr().String()})
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("write the demo's site file: %w", err)
	}
	return nil
}

// daysBefore is the local day so many days before the recorded week. The dates of
// the shop's instruments go with the story, so that a demo does not age.
func (s *Shop) daysBefore(days int) string {
	zone, err := time.LoadLocation(s.story.Zone)
	if err != nil {
		zone = time.UTC // of an edited story; the site file's check will tell
	}
	return s.story.History.In(zone).AddDate(0, 0, -days).Format(time.DateOnly)
}

// build loads the site and sets up the plant at its beginning.
func (s *Shop) build() error {
	site, err := sitefile.Load(filepath.Join(s.dir, siteFile), sitefile.Options{})
	if err != nil {
		return err
	}
	sc, err := simulator.LoadScenario(s.story.Scenario)
	if err != nil {
		return err
	}
	sc.Location = site.Location
	if s.story.Seed != 0 {
		sc.Seed = s.story.Seed
	}
	turnWeek(sc, s.Week())
	s.addTrips(sc)
	s.Site, s.hourMeter = site, sc.Machines[0].InitialRunH
	s.world, err = simulator.New(sc, s.story.Begin)
	return err
}

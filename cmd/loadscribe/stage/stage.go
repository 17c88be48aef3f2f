package stage

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator"
)

// What a Stage does where Options leave it open.
const (
	defaultWarmUp = 12 * time.Hour
	// SiteFile and TruthFile are what a recorded stage leaves in its directory.
	SiteFile  = "site.toml"
	TruthFile = "truth.json"
)

// Options say which story is staged.
type Options struct {
	// Scenario is a built-in name or the path of a file.
	Scenario string
	// Seed gives the plant another story; 0: the scenario's own.
	Seed uint64
	// Start is when the record begins; zero: midnight on a Monday in March 2026,
	// in the scenario's time. The week after it holds a change of the clocks
	// in America.
	Start time.Time
	// WarmUp is how long the plant ran before; 0: twelve hours.
	WarmUp time.Duration
	// Length of the record; 0: what the scenario says, a week as a rule.
	Length time.Duration
	// Edit changes the scenario before the world is made of it; may be nil.
	Edit func(*simulator.Scenario)
}

// Stage is a simulated plant with a site that fits it.
type Stage struct {
	Dir      string
	SitePath string
	Site     *sitefile.Site
	World    *simulator.World
	From, To time.Time // of the record, half open
	// Told is told now and then how far the record is, 0 to 1; may be nil.
	Told func(share float64)
}

// Open writes dir/site.toml and dir/maps for a scenario and sets up its plant.
// Nothing is recorded yet.
func Open(dir string, o Options) (*Stage, error) {
	sc, err := simulator.LoadScenario(o.Scenario)
	if err != nil {
		return nil, err
	}
	if o.Seed != 0 {
		sc.Seed = o.Seed
	}
	if o.Edit != nil {
		o.Edit(sc)
	}
	if o.Start.IsZero() {
		o.Start = simulator.BenchStart(sc.Location)
	}
	if o.WarmUp == 0 {
		o.WarmUp = defaultWarmUp
	}
	if o.Length == 0 {
		o.Length = sc.Length
	}
	s := &Stage{Dir: dir, SitePath: filepath.Join(dir, SiteFile), From: o.Start, To: o.Start.Add(o.Length)}
	if err := WriteSite(dir, sc, SiteOptions{Begin: o.Start}); err != nil {
		return nil, err
	}
	if s.Site, err = sitefile.Load(s.SitePath, sitefile.Options{}); err != nil {
		return nil, fmt.Errorf("the site written for scenario %q: %w", sc.Name, err)
	}
	s.World, err = simulator.New(sc, o.Start.Add(-o.WarmUp))
	return s, err
}

// Play polls the plant from From to To and gives the scans to sink in time
// order; groups are those that scans point to, nil for the site's own. It can
// be done once.
func (s *Stage) Play(ctx context.Context, groups []*scan.Group, sink func([]scan.Scan) error) error {
	if groups == nil {
		groups = sitefile.Groups(s.Site)
	}
	feed := Feed{Site: s.Site, Groups: groups, World: s.World, From: s.From, Until: func() time.Time { return s.To }}
	if s.Told != nil {
		feed.Told = func(at time.Time) { s.Told(float64(at.Sub(s.From)) / float64(s.To.Sub(s.From))) }
	}
	if err := feed.Run(ctx, sink); err != nil {
		return err
	}
	s.World.Advance(s.To) // the truth covers the whole record
	return ctx.Err()
}

// Record plays the story into the site's store and leaves what really happened
// beside it, in truth.json. version is the program's. A site that has a record
// already is refused: two stories in one store would be neither.
func (s *Stage) Record(ctx context.Context, version string) error {
	if _, err := os.Stat(s.Site.Agent.DataDir); err == nil {
		return fmt.Errorf("%s holds a record already: give another directory", s.Dir)
	}
	rec, err := agent.OpenRecorder(s.Site, agent.Options{Version: version, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return err
	}
	if err := errors.Join(s.Play(ctx, rec.Groups(), rec.Append), rec.Close()); err != nil {
		return err
	}
	return WriteTruth(filepath.Join(s.Dir, TruthFile), s.World.Truth())
}

// WriteTruth writes what really happened to a file: as CSV or JSON lines where
// its name ends in .csv or .jsonl, else as one JSON document.
func WriteTruth(path string, truth *simulator.Truth) error {
	f, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("write what really happened: %w", err)
	}
	write := truth.WriteJSON
	switch filepath.Ext(path) {
	case ".csv":
		write = truth.WriteCSV
	case ".jsonl":
		write = truth.WriteLines
	}
	if err := errors.Join(write(f), f.Close()); err != nil {
		return fmt.Errorf("write what really happened: %w", err)
	}
	return nil
}

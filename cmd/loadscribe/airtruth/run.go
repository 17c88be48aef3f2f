package airtruth

import (
	"context"
	"errors"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// warmUp is how long a plant runs before its record: tanks fill in minutes.
const warmUp = 2 * time.Hour

// Run says what is played.
type Run struct {
	Scenario string
	Seed     uint64 // 0: the scenario's own
	// Flow is every machine's true flow over its nameplate; 0: what scenario and
	// seed say.
	Flow float64
	// After is when the record begins, from the Monday's midnight of
	// simulator.BenchStart, Length how long it is; both 0: Window's.
	After, Length time.Duration
	// Edit changes the scenario before, Site the site as its owner would have
	// written it; both may be nil.
	Edit func(*simulator.Scenario)
	Site func(*sitefile.Site)
	// Unseen tells when the recorder is away; may be nil.
	Unseen func(wallMS int64) bool
	// PumpUp has a guided pump-up test of the first machine done while the plant
	// valve is shut; its result is filed.
	PumpUp bool
}

// Window is the usual one: Sunday noon to Tuesday noon, in which two nights and
// a working day lie; of the pump-up test Saturday to Monday noon.
func Window(scenario string) (after, length time.Duration) {
	if scenario == "pump-up-test" {
		return -48 * time.Hour, 60 * time.Hour
	}
	return -12 * time.Hour, 48 * time.Hour
}

// Flows are n true flows over the nameplate, from 12 % below to 5 % above, each
// in the middle of its share of that span, in an order that jumps about.
func Flows(n int) []float64 {
	all := make([]float64, n)
	step := max(1, n*5/8)
	for gcd(step, n) != 1 {
		step++
	}
	for i := range all {
		all[i] = 0.88 + 0.17*(float64(i*step%n)+0.5)/float64(n)
	}
	return all
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// Played is a run that is over.
type Played struct {
	Run      Run
	Site     *sitefile.Site
	World    *simulator.World
	From, To time.Time
	Source   analysis.Source // its pieces and events; it keeps no scans
	Report   analysis.Report
	// Untested are the figures as they are without the guided test's result.
	Untested analysis.Report
}

// Play plays a run into memory and asks for its figures. dir takes the site file.
func (r Run) Play(ctx context.Context, dir string) (*Played, error) {
	if r.Length == 0 {
		r.After, r.Length = Window(r.Scenario)
	}
	sc, err := simulator.LoadScenario(r.Scenario)
	if err != nil {
		return nil, err
	}
	o := stage.Options{Scenario: r.Scenario, Seed: r.Seed, Start: simulator.BenchStart(sc.Location).Add(r.After), WarmUp: warmUp, Length: r.Length}
	o.Edit = func(sc *simulator.Scenario) {
		for i := range sc.Machines {
			if r.Flow != 0 {
				sc.Machines[i].FlowFactor = r.Flow
			}
		}
		if r.Edit != nil {
			r.Edit(sc)
		}
	}
	s, err := stage.Open(dir, o)
	if err != nil {
		return nil, err
	}
	if r.Site != nil {
		r.Site(s.Site)
	}
	p := &Played{Run: r, Site: s.Site, World: s.World, From: s.From, To: s.To}
	groups := sitefile.Groups(s.Site)
	folder := analysis.NewFolder(s.Site, groups)
	m := &memory{}
	guide := &guide{folder: folder}
	if r.PumpUp {
		if guide, err = newGuide(s.Site, groups, folder, s.World); err != nil {
			return nil, err
		}
	}
	var seq uint64
	err = s.Play(ctx, groups, func(batch []scan.Scan) error {
		for i := range batch {
			if r.Unseen != nil && r.Unseen(batch[i].WallMS) {
				continue
			}
			seq++
			batch[i].Seq, batch[i].Segment = seq, 1
			folder.Step(&batch[i])
			guide.see(&batch[i])
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	m.pieces, _ = folder.Flush()
	p.Source = analysis.WithPending(m, folder)
	if p.Untested, err = p.compute(); err != nil || !r.PumpUp {
		p.Report = p.Untested
		return p, err
	}
	event, err := guide.event()
	if err != nil {
		return nil, err
	}
	m.events = append(m.events, event)
	p.Report, err = p.compute()
	return p, err
}

func (p *Played) compute() (analysis.Report, error) {
	return analysis.Compute(p.Source, p.Site, p.From.UnixMilli(), p.To.UnixMilli(), p.To.UnixMilli(), "")
}

// memory is a store's pieces and events. It implements analysis.Source and
// analysis.EventSource.
type memory struct {
	pieces []store.Piece
	events []store.Event
}

// errNoScans: windows begin and end between cells, so nothing is folded anew.
var errNoScans = errors.New("a record in memory keeps no scans")

func (m *memory) Scans(store.ScanQuery, func(*scan.Scan) error) error { return errNoScans }

func (m *memory) Pieces(key string, fromMS, toMS int64) ([]store.Piece, error) {
	var all []store.Piece
	for _, p := range m.pieces {
		if p.Key == key && p.StartMS >= fromMS && p.StartMS < toMS {
			all = append(all, p)
		}
	}
	return all, nil
}

func (m *memory) EventsWhere(fromMS, toMS int64, limit int, wanted func(*store.Event) bool) ([]store.Event, error) {
	var all []store.Event
	for _, e := range m.events {
		if (fromMS == 0 && toMS == 0 || e.WallMS >= fromMS && e.WallMS < toMS) && wanted(&e) {
			all = append(all, e)
		}
	}
	return all[max(0, len(all)-limit):], nil
}

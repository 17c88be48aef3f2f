package fleet

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"path/filepath"
	"sync"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/publish/remote"
	"loadscribe/agent/publish/samples"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// Options say which shop it is and where it sends.
type Options struct {
	Town   string // the label site
	Size   Size
	Seed   uint64
	Edit   func(*simulator.Scenario) // after Size.Edit; may be nil
	From   time.Time                 // the record begins here
	Length time.Duration             // the most that is recorded
	Every  time.Duration             // of remote write
	URL    string
	Wire   http.RoundTripper
	Keep   bool // keep all samples that are given, for Given
}

// Shop is a simulated plant, its record and its sender. For one goroutine, but for
// State.
type Shop struct {
	Town  string
	Stage *stage.Stage

	record  *store.Store
	watched *watched
	sender  *remote.Sender
	stop    context.CancelFunc
	tasks   sync.WaitGroup
	batches chan []scan.Scan
	played  error // of the plant; read after batches is closed
	waiting []scan.Scan
	sending bool
	ctx     context.Context
}

// Open makes a shop in dir, which holds its site file, record and cursor. Nothing is
// recorded yet, and nothing sent.
func Open(dir string, o Options) (*Shop, error) {
	edit := func(s *simulator.Scenario) {
		for _, e := range []func(*simulator.Scenario){o.Size.Edit, o.Edit} {
			if e != nil {
				e(s)
			}
		}
	}
	st, err := stage.Open(dir, stage.Options{Scenario: o.Size.Scenario, Seed: o.Seed, Start: o.From, Length: o.Length, Edit: edit})
	if err != nil {
		return nil, err
	}
	if err := o.Size.thin(dir); err != nil {
		return nil, err
	}
	if st.Site, err = sitefile.Load(st.SitePath, sitefile.Options{}); err != nil {
		return nil, fmt.Errorf("the site of %s: %w", o.Town, err)
	}
	groups := sitefile.Groups(st.Site)
	folder := analysis.NewFolder(st.Site, groups)
	record, err := store.Open(st.Site.Agent.DataDir, store.Options{Summariser: folder})
	if err != nil {
		return nil, err
	}
	if groups, err = record.Register(groups); err != nil {
		return nil, errors.Join(err, record.Close())
	}
	source := analysis.WithPending(record, folder)
	from := samples.New(record, samples.Options{Site: st.Site, Groups: groups, Label: o.Town, Every: o.Every, History: o.Length + time.Hour,
		Quiet: func(system string, atMS int64) (float64, bool, error) { return quiet(source, st.Site, system, atMS) }})
	s := &Shop{Town: o.Town, Stage: st, record: record, watched: &watched{source: from, keep: o.Keep, told: make(chan struct{}, 1)},
		batches: make(chan []scan.Scan, 1)}
	s.ctx, s.stop = context.WithCancel(context.Background())
	s.sender, err = remote.Open(filepath.Join(dir, "cursor"), remote.Config{Name: "fleet", URL: o.URL}, s.watched,
		remote.Options{Log: slog.New(slog.DiscardHandler), Transport: o.Wire, Every: 24 * time.Hour}) // it is woken
	if err != nil {
		s.stop()
		return nil, errors.Join(err, record.Close())
	}
	s.tasks.Go(func() {
		defer close(s.batches)
		s.played = st.Play(s.ctx, groups, func(batch []scan.Scan) error {
			select {
			case s.batches <- batch:
				return nil
			case <-s.ctx.Done():
				return s.ctx.Err()
			}
		})
	})
	return s, nil
}

// Record plays the plant up to a time and has all of it safe on the disk.
func (s *Shop) Record(until time.Time) error {
	for n := 0; ; n = 0 {
		for n < len(s.waiting) && s.waiting[n].WallMS < until.UnixMilli() {
			n++
		}
		due := s.waiting[:n:n]
		s.waiting = s.waiting[n:]
		if err := s.record.Append(due); err != nil {
			return fmt.Errorf("record %s: %w", s.Town, err)
		}
		if len(s.waiting) > 0 {
			break
		}
		batch, more := <-s.batches
		if !more {
			if s.played != nil {
				return fmt.Errorf("play %s: %w", s.Town, s.played)
			}
			break
		}
		s.waiting = batch
	}
	return s.record.Sync()
}

// Deliver has the sender send what is recorded, and waits until the receiver has
// settled all of it.
func (s *Shop) Deliver(ctx context.Context) error {
	if !s.sending {
		s.sending = true
		s.tasks.Go(func() { _ = s.sender.Run(s.ctx) }) // its end is Close's
	}
	asked := s.watched.asked()
	for {
		s.sender.Wake()
		select {
		case <-s.watched.told:
			if s.watched.idleSince(asked) {
				return nil
			}
		case <-ctx.Done():
			return fmt.Errorf("deliver of %s: %w: %s", s.Town, ctx.Err(), s.sender.State().Why)
		}
	}
}

// State is the sender's.
func (s *Shop) State() remote.State { return s.sender.State() }

// Given is what the record gave so far: samples by series, and their number, each
// given a second time counted again.
func (s *Shop) Given() (all map[string]map[int64]float64, number int64) { return s.watched.given() }

// Store is the record; it closes with the shop.
func (s *Shop) Store() *store.Store { return s.record }

// quiet is a system's figure quiet_demand of the seven days before a time, in m³/s, as
// the agent gives it.
func quiet(record analysis.Source, site *sitefile.Site, system string, atMS int64) (m3s float64, ok bool, err error) {
	const week = 7 * 24 * time.Hour
	nights, err := analysis.NightsOf(record, site, system, atMS-week.Milliseconds(), atMS, atMS)
	if err != nil {
		return 0, false, err
	}
	for i := range nights.Figures {
		if f := &nights.Figures[i]; f.Name == "quiet_demand" && f.Value != nil {
			return *f.Value / 60, true, nil // m³/min
		}
	}
	return 0, false, nil
}

// Close ends all.
func (s *Shop) Close() error {
	s.stop()
	for range s.batches { // what is under way
	}
	s.tasks.Wait()
	return s.record.Close()
}

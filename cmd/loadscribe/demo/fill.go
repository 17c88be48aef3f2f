package demo

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/simulator"
)

// fillBatch is how many scans go to the store at a time: five minutes of the
// shop. fillAhead batches may wait, so that the plant and the store use a core
// each.
const (
	fillBatch = 600
	fillAhead = 8
)

// Fill brings the plant to the present. A new shop's week is recorded on the
// way; one that was broken off goes on where it stopped. Of a complete one
// nothing is recorded: the time since the last stop stays unobserved. progress
// is told now and then how far it is, 0 to 1, and what it does.
func (s *Shop) Fill(ctx context.Context, version string, log *slog.Logger, progress func(share float64, what string)) error {
	if s.story.Filled {
		return s.catchUp(ctx, progress)
	}
	rec, err := agent.OpenRecorder(s.Site, agent.Options{Version: version, Log: log})
	if err != nil {
		return err
	}
	from := s.story.History
	if newest, ok := rec.Newest(); ok && newest.After(from) {
		from = newest.Truncate(time.Second).Add(time.Second)
	}
	s.world.Advance(from)
	err = s.record(ctx, rec, from, progress)
	if closeErr := rec.Close(); err == nil {
		err = closeErr
	}
	if err != nil || ctx.Err() != nil {
		return err
	}
	s.story.Filled = true
	if err := s.writeTruth(); err != nil {
		return err
	}
	return s.writeStory()
}

// catchUp moves the plant through the time when nobody listened.
func (s *Shop) catchUp(ctx context.Context, progress func(float64, string)) error {
	from := s.world.Now()
	for ctx.Err() == nil {
		now := s.now().Truncate(time.Second)
		if !s.world.Now().Before(now) {
			return nil
		}
		next := s.world.Now().Add(6 * time.Hour)
		if next.After(now) {
			next = now
		}
		s.world.Advance(next)
		progress(float64(next.Sub(from))/float64(s.now().Sub(from)), "bringing the simulated plant to the present")
	}
	return nil
}

// record polls the plant second by second up to the present.
func (s *Shop) record(ctx context.Context, rec *agent.Recorder, from time.Time, progress func(float64, string)) error {
	pollers, err := s.pollers(rec)
	if err != nil {
		return err
	}
	batches := make(chan []scan.Scan, fillAhead)
	appended := make(chan error, 1)
	failed := make(chan struct{})
	go func() {
		var err error
		for batch := range batches {
			if err == nil {
				if err = rec.Append(batch); err != nil {
					close(failed)
				}
			}
		}
		appended <- err
	}()
	s.pollUpToNow(ctx, pollers, from, batches, failed, progress)
	close(batches)
	return <-appended
}

func (s *Shop) pollUpToNow(ctx context.Context, pollers []*poll.GroupPoller, from time.Time,
	batches chan<- []scan.Scan, failed <-chan struct{}, progress func(float64, string)) {
	wire := &plantWire{world: s.world}
	clock := &fillClock{base: from.UnixMilli()}
	var batch []scan.Scan
	lastTold := time.Time{}
	for t := from; ctx.Err() == nil && t.Before(s.now().Add(-time.Second)); t = t.Add(time.Second) {
		s.world.Advance(t)
		clock.now = t.UnixMilli()
		for _, p := range pollers {
			if t.UnixMilli()%p.Group().PeriodMS < 1000 {
				batch = append(batch, p.Poll(ctx, wire, clock))
			}
		}
		if len(batch) >= fillBatch {
			select {
			case batches <- batch:
				batch = make([]scan.Scan, 0, fillBatch+len(pollers))
			case <-failed:
				return
			}
			if time.Since(lastTold) > 250*time.Millisecond {
				lastTold = time.Now()
				progress(float64(t.Sub(s.story.History))/float64(s.now().Sub(s.story.History)), "recording the simulated week")
			}
		}
	}
	if len(batch) > 0 {
		select {
		case batches <- batch:
		case <-failed:
		}
	}
}

func (s *Shop) pollers(rec *agent.Recorder) ([]*poll.GroupPoller, error) {
	var all []*poll.GroupPoller
	for _, g := range rec.Groups() {
		d, ok := s.Site.DeviceByName(g.Device)
		if !ok {
			return nil, fmt.Errorf("the demo's site has no device %q", g.Device)
		}
		p, err := poll.NewGroupPoller(d, g, slog.New(slog.DiscardHandler))
		if err != nil {
			return nil, err
		}
		all = append(all, p)
	}
	return all, nil
}

// Truth is what really happened. It must not be asked while Serve runs.
func (s *Shop) Truth() *simulator.Truth { return s.world.Truth() }

// History is when the recorded week began.
func (s *Shop) History() time.Time { return s.story.History }

// writeTruth leaves what really happened beside the record.
func (s *Shop) writeTruth() error {
	f, err := os.Create(filepath.Join(s.dir, truthFile))
	if err != nil {
		return fmt.Errorf("write what really happened: %w", err)
	}
	err = s.world.Truth().WriteJSON(f)
	if closeErr := f.Close(); err == nil {
		err = closeErr
	}
	if err != nil {
		return fmt.Errorf("write what really happened: %w", err)
	}
	return nil
}

// fillClock shows the simulated time.
type fillClock struct{ base, now int64 }

func (c *fillClock) Now() (monoMS, wallMS int64) { return c.now - c.base, c.now }

// plantWire reads register images without a wire. It implements poll.Reader.
type plantWire struct {
	world *simulator.World
	units [256]*simulator.Registers
	pdu   []byte
}

func (w *plantWire) Read(_ context.Context, unit byte, req frame.ReadRequest) ([]byte, error) {
	if w.units[unit] == nil {
		for _, r := range w.world.Devices() {
			w.units[r.Unit()] = r
		}
	}
	registers := w.units[unit]
	if registers == nil {
		return nil, fmt.Errorf("the simulated plant has no unit %d", unit)
	}
	w.pdu = req.AppendPDU(w.pdu[:0])
	return frame.ParseReadResponse(req, registers.Answer(w.pdu))
}

package demo

import (
	"context"
	"log/slog"
	"path/filepath"
	"time"

	"loadscribe/agent"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
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
	if err = rec.Setup(from); err == nil {
		err = s.record(ctx, rec, from, progress)
	}
	if err == nil && ctx.Err() == nil {
		err = s.writeNotes(rec)
	}
	if closeErr := rec.Close(); err == nil {
		err = closeErr
	}
	if err != nil || ctx.Err() != nil {
		return err
	}
	s.story.Filled = true
	if err := stage.WriteTruth(filepath.Join(s.dir, stage.TruthFile), s.world.Truth()); err != nil {
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
	lastTold := time.Time{}
	feed := stage.Feed{Site: s.Site, Groups: rec.Groups(), World: s.world, From: from,
		Until: func() time.Time { return s.now().Add(-time.Second) },
		Told: func(at time.Time) {
			if time.Since(lastTold) > 250*time.Millisecond {
				lastTold = time.Now()
				progress(float64(at.Sub(s.story.History))/float64(s.now().Sub(s.story.History)), "recording the simulated week")
			}
		},
	}
	return feed.Run(ctx, rec.Append)
}

// Truth is what really happened. It must not be asked while Serve runs.
func (s *Shop) Truth() *simulator.Truth { return s.world.Truth() }

// History is when the recorded week began.
func (s *Shop) History() time.Time { return s.story.History }

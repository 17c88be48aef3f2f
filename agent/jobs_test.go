package agent

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/replay"
)

func newReplayJobs() *jobs[replay.Answer] {
	return &jobs[replay.Answer]{kind: replayKind(), log: slog.New(slog.DiscardHandler)}
}

// untilStopped is work that ends when it is broken off.
func untilStopped(ctx context.Context, progress func(done, total int)) (*replay.Answer, error) {
	progress(3, 40)
	<-ctx.Done()
	return nil, fmt.Errorf("play: %w", ctx.Err())
}

// How jobs end: with an answer, an error of the request or another, broken off, and
// with a panic, none of which ends anything else.
func TestJobsEnd(t *testing.T) {
	work := map[string]jobWork[replay.Answer]{
		"done": func(_ context.Context, progress func(done, total int)) (*replay.Answer, error) {
			progress(39, 40)
			return &replay.Answer{System: "main"}, nil
		},
		"field": func(context.Context, func(done, total int)) (*replay.Answer, error) {
			return nil, fmt.Errorf("ask: %w", wrongField("set", "comp9 is no machine"))
		},
		"trouble": func(context.Context, func(done, total int)) (*replay.Answer, error) {
			return nil, errors.New("disk gone")
		},
		"panic":   func(context.Context, func(done, total int)) (*replay.Answer, error) { panic("out of range") },
		"stopped": untilStopped,
	}
	for _, tt := range []struct{ name, state, field, says string }{
		{"done", JobDone, "", ""}, {"field", JobFailed, "set", "comp9 is no machine"}, {"trouble", JobFailed, "", "disk gone"},
		{"panic", JobFailed, "", "out of range"}, {"stopped", JobCancelled, "", "cancelled"},
	} {
		synctest.Test(t, func(t *testing.T) {
			r := newReplayJobs()
			j, err := r.start(work[tt.name])
			if err != nil || j.State != JobRunning || j.Over() || j.Ended != 0 || j.Started == 0 {
				t.Fatalf("%s: %+v, %v", tt.name, j, err)
			}
			synctest.Wait()
			if tt.name == "stopped" {
				if at, err := r.show(j.ID); err != nil || at.Done != 3 || at.Total != 40 || at.Over() {
					t.Errorf("at work: %+v, %v", at, err)
				}
				if _, err := r.stop(j.ID); err != nil {
					t.Fatal(err)
				}
				synctest.Wait()
			}
			got, err := r.show(j.ID)
			if err != nil || got.State != tt.state || got.Field != tt.field || !strings.Contains(got.Error, tt.says) || (got.Error == "") != (tt.says == "") || got.Ended == 0 {
				t.Errorf("%s: %+v, %v", tt.name, got, err)
			}
			if answered := got.Answer != nil; answered != (tt.name == "done") || answered && (got.Done != 40 || got.Answer.System != "main") {
				t.Errorf("%s: answer %+v, %d of %d", tt.name, got.Answer, got.Done, got.Total)
			}
			if again, err := r.stop(j.ID); err != nil || again.State != tt.state {
				t.Errorf("%s: stopping what has ended: %+v, %v", tt.name, again, err)
			}
			r.close()
		})
	}
}

func TestJobsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newReplayJobs()
		var first ReplayJob
		for i := range replayKind().atOnce {
			j, err := r.start(untilStopped)
			if err != nil {
				t.Fatalf("job %d: %v", i, err)
			}
			first = j
		}
		if _, err := r.start(untilStopped); !errors.Is(err, ErrJobsBusy) {
			t.Fatalf("one too many: %v", err)
		}
		if _, err := r.stop(first.ID); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		quick := func(context.Context, func(done, total int)) (*replay.Answer, error) { return &replay.Answer{}, nil }
		var oldest, last ReplayJob
		for i := range replayKind().kept + 1 {
			var err error
			if last, err = r.start(quick); err != nil {
				t.Fatalf("job %d after one was broken off: %v", i, err)
			}
			if i == 0 {
				oldest = last
			}
			synctest.Wait()
		}
		if _, err := r.show(oldest.ID); !errors.Is(err, ErrNoJob) {
			t.Errorf("the oldest of more than %d: %v", replayKind().kept, err)
		}
		// What was broken off takes no room from answers. One is at work still.
		if _, err := r.show(first.ID); err != nil || len(r.all) != replayKind().kept+2 {
			t.Errorf("%d kept: %v", len(r.all), err)
		}

		// A while later memory is free again, though nobody asks.
		ctx, cancel := context.WithCancel(context.Background())
		tended := make(chan error, 1)
		go func() { tended <- r.tend(ctx) }()
		time.Sleep(jobKeptDur + jobKeptDur/5)
		if _, err := r.show(last.ID); !errors.Is(err, ErrNoJob) || len(r.all) != 1 {
			t.Errorf("after %v: %v, %d kept", jobKeptDur, err, len(r.all))
		}
		// The agent stops: what is at work ends, and nothing begins.
		cancel()
		if err := <-tended; err != nil {
			t.Error(err)
		}
		if !r.all[0].Over() || r.all[0].State != JobCancelled {
			t.Errorf("at work at the stop: %+v", r.all[0].Job)
		}
		if _, err := r.start(quick); !errors.Is(err, errStopping) {
			t.Errorf("begun after the stop: %v", err)
		}
	})
}

// What was told to end makes room at once, as a page that moves on expects; but who
// begins and breaks off without end does not pile up work.
func TestJobsThatAreEndingMakeRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newReplayJobs()
		let := make(chan struct{})
		slow := func(ctx context.Context, _ func(done, total int)) (*replay.Answer, error) {
			<-let // does not look up for a while
			return nil, ctx.Err()
		}
		for i := range endingTimes * replayKind().atOnce {
			j, err := r.start(slow)
			if err != nil {
				t.Fatalf("job %d, while those before it are ending: %v", i, err)
			}
			if _, err := r.stop(j.ID); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := r.start(slow); !errors.Is(err, ErrJobsBusy) {
			t.Errorf("with %d ending: %v", endingTimes*replayKind().atOnce, err)
		}
		close(let)
		synctest.Wait()
		if _, err := r.start(slow); err != nil {
			t.Errorf("when all have ended: %v", err)
		}
		synctest.Wait()
	})
}

package agent

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"slices"
	"sync"
	"time"

	"loadscribe/agent/replay"
)

// Bounds of the replays of a running agent: so many at work at once, and so many
// that have ended kept until they are so old.
const (
	replaysAtOnce = 2
	replaysKept   = 4
	replayKeptDur = 30 * time.Minute
)

// Errors of replays.
var (
	// ErrReplaysBusy is wrapped where no more replays may begin now.
	ErrReplaysBusy = errors.New("replays are at work already")
	// ErrNoReplay is wrapped where there is none of that id (any more).
	ErrNoReplay = errors.New("there is no replay")
	// errStopping is returned where the agent is stopping.
	errStopping = errors.New("the agent is stopping")
)

// The states of a ReplayJob.
const (
	ReplayRunning   = "running"
	ReplayDone      = "done"
	ReplayFailed    = "failed"
	ReplayCancelled = "cancelled"
)

// ReplayJob is a replay at work in a running agent, or one that has ended.
type ReplayJob struct {
	ID    string `json:"id"`
	State string `json:"state"` // running, done, failed or cancelled
	// Done of Total plays are played; Total is zero while the record is read.
	Done    int   `json:"done"`
	Total   int   `json:"total"`
	Started Stamp `json:"started"`
	Ended   Stamp `json:"ended"`
	// Error says why it failed; Field names what of the request was wrong.
	Error  string         `json:"error,omitempty"`
	Field  string         `json:"field,omitempty"`
	Answer *replay.Answer `json:"answer,omitempty"`
}

// Over reports a job that has ended.
func (j *ReplayJob) Over() bool { return j.State != ReplayRunning }

// replayWork does a replay and tells how far it is.
type replayWork func(ctx context.Context, progress func(done, total int)) (*replay.Answer, error)

// replayJobs holds the replays of a running agent. The zero value is ready.
type replayJobs struct {
	log     *slog.Logger
	mu      sync.Mutex // protects what follows
	jobs    []*replayJob
	closed  bool
	working sync.WaitGroup // the goroutine of each; added to under mu while not closed
}

type replayJob struct {
	ReplayJob           // protected by replayJobs.mu
	at        time.Time // when it ended, likewise
	cancel    context.CancelFunc
}

// start begins a replay. The error wraps ErrReplaysBusy where too many are at work.
func (r *replayJobs) start(work replayWork) (ReplayJob, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return ReplayJob{}, errStopping
	}
	r.drop()
	atWork := 0
	for _, j := range r.jobs {
		if !j.Over() {
			atWork++
		}
	}
	if atWork >= replaysAtOnce {
		return ReplayJob{}, fmt.Errorf("%d %w: wait until one has ended, or cancel it", atWork, ErrReplaysBusy)
	}
	ctx, cancel := context.WithCancel(context.Background())
	j := &replayJob{ReplayJob{ID: newReplayID(), State: ReplayRunning, Started: StampOf(time.Now())}, time.Time{}, cancel}
	r.jobs = append(r.jobs, j)
	r.working.Go(func() {
		defer cancel()
		answer, err := r.guarded(ctx, work, func(done, total int) {
			r.mu.Lock()
			defer r.mu.Unlock()
			j.Done, j.Total = done, total
		})
		r.ended(j, answer, err)
	})
	return j.ReplayJob, nil
}

// guarded works, and makes an error of a panic: as one of a request does, it must
// not end the recording.
func (r *replayJobs) guarded(ctx context.Context, work replayWork, progress func(done, total int)) (answer *replay.Answer, err error) {
	defer func() {
		if p := recover(); p != nil {
			r.log.Error("a replay broke down", "panic", p, "stack", string(debug.Stack()))
			err = fmt.Errorf("the replay broke down: %v; the log has more", p)
		}
	}()
	return work(ctx, progress)
}

// ended keeps how a replay ended.
func (r *replayJobs) ended(j *replayJob, answer *replay.Answer, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	j.at = time.Now()
	j.Ended = StampOf(j.at)
	var field *FieldError
	switch {
	case err == nil:
		j.State, j.Answer, j.Done = ReplayDone, answer, j.Total
	case errors.Is(err, context.Canceled):
		j.State, j.Error = ReplayCancelled, "cancelled"
	case errors.As(err, &field):
		j.State, j.Field, j.Error = ReplayFailed, field.Field, field.Message
	default:
		j.State, j.Error = ReplayFailed, err.Error()
	}
	r.drop()
}

// drop forgets the replays that ended too long ago, and of the rest the oldest that
// are too many.
func (r *replayJobs) drop() {
	over := 0
	for i := len(r.jobs) - 1; i >= 0; i-- {
		j := r.jobs[i]
		if !j.Over() {
			continue
		}
		if over++; over > replaysKept || time.Since(j.at) > replayKeptDur {
			r.jobs = slices.Delete(r.jobs, i, i+1)
		}
	}
}

// one is the replay of an id. The error wraps ErrNoReplay.
func (r *replayJobs) one(id string) (*replayJob, error) {
	for _, j := range r.jobs {
		if j.ID == id {
			return j, nil
		}
	}
	return nil, fmt.Errorf("%w %q: it ended more than %.0f minutes ago, or before the agent was started anew; ask again",
		ErrNoReplay, id, replayKeptDur.Minutes())
}

// show returns how a replay stands. What it holds is not to be changed.
func (r *replayJobs) show(id string) (ReplayJob, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	j, err := r.one(id)
	if err != nil {
		return ReplayJob{}, err
	}
	return j.ReplayJob, nil
}

// stop breaks a replay off; one that has ended stays as it is.
func (r *replayJobs) stop(id string) (ReplayJob, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	j, err := r.one(id)
	if err != nil {
		return ReplayJob{}, err
	}
	j.cancel()
	return j.ReplayJob, nil
}

// tend forgets old replays until ctx ends, and then breaks off those at work.
func (r *replayJobs) tend(ctx context.Context) error {
	tick := time.NewTicker(replayKeptDur / 10)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			r.mu.Lock()
			r.drop()
			r.mu.Unlock()
		case <-ctx.Done():
			r.close()
			return nil
		}
	}
}

// close breaks off all replays, waits for them, and lets none begin.
func (r *replayJobs) close() {
	r.mu.Lock()
	r.closed = true
	for _, j := range r.jobs {
		j.cancel()
	}
	r.mu.Unlock()
	r.working.Wait()
}

func newReplayID() string {
	var b [8]byte
	rand.Read(b[:]) // never fails
	return hex.EncodeToString(b[:])
}

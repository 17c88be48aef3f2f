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

// jobKeptDur is how long a job that has ended is kept.
const jobKeptDur = 30 * time.Minute

// Errors of jobs.
var (
	// ErrJobsBusy is wrapped where no more jobs of a kind may begin now.
	ErrJobsBusy = errors.New("at work already")
	// ErrNoJob is wrapped where there is none of that id (any more).
	ErrNoJob = errors.New("there is no job")
	// errStopping is returned where the agent is stopping.
	errStopping = errors.New("the agent is stopping")
)

// The states of a Job.
const (
	JobRunning   = "running"
	JobDone      = "done"
	JobFailed    = "failed"
	JobCancelled = "cancelled"
)

// Job is work in a running agent that takes longer than a request, or such that has
// ended. A is its answer.
type Job[A any] struct {
	ID    string `json:"id"`
	State string `json:"state"` // running, done, failed or cancelled
	// Done of Total steps are done; Total is zero while it is not known.
	Done    int   `json:"done"`
	Total   int   `json:"total"`
	Started Stamp `json:"started"`
	Ended   Stamp `json:"ended"`
	// Error says why it failed; Field names what of the request was wrong.
	Error  string `json:"error,omitempty"`
	Field  string `json:"field,omitempty"`
	Answer *A     `json:"answer,omitempty"`
}

// The jobs there are.
type (
	ReplayJob = Job[replay.Answer] // its steps are plays
	ReportJob = Job[ReportMade]
)

// Over reports a job that has ended.
func (j *Job[A]) Over() bool { return j.State != JobRunning }

// jobWork does a job and tells how far it is.
type jobWork[A any] func(ctx context.Context, progress func(done, total int)) (*A, error)

// jobKind is what jobs of a kind are called, and their bounds.
type jobKind struct {
	name, many string
	atOnce     int // at work
	kept       int // that have ended
}

// jobs holds the jobs of one kind of a running agent.
type jobs[A any] struct {
	kind    jobKind
	log     *slog.Logger
	mu      sync.Mutex // protects what follows
	all     []*job[A]
	closed  bool
	working sync.WaitGroup // the goroutine of each; added to under mu while not closed
}

type job[A any] struct {
	Job[A]           // protected by jobs.mu
	at     time.Time // when it ended, likewise
	ending bool      // it was told to end, likewise
	cancel context.CancelFunc
}

// endingTimes bounds the jobs that were told to end and have not yet: so many times
// what may be at work at once.
const endingTimes = 4

// start begins a job. The error wraps ErrJobsBusy where too many are at work.
func (r *jobs[A]) start(work jobWork[A]) (Job[A], error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return Job[A]{}, errStopping
	}
	r.drop()
	atWork, ending := 0, 0
	for _, j := range r.all {
		switch {
		case j.Over():
		case j.ending: // in a moment
			ending++
		default:
			atWork++
		}
	}
	if atWork >= r.kind.atOnce || ending >= endingTimes*r.kind.atOnce {
		return Job[A]{}, fmt.Errorf("%d %s %w: wait until one has ended, or cancel it", atWork+ending, r.kind.called(atWork+ending), ErrJobsBusy)
	}
	ctx, cancel := context.WithCancel(context.Background())
	j := &job[A]{Job: Job[A]{ID: newJobID(), State: JobRunning, Started: StampOf(time.Now())}, cancel: cancel}
	r.all = append(r.all, j)
	r.working.Go(func() {
		defer cancel()
		answer, err := r.guarded(ctx, work, func(done, total int) {
			r.mu.Lock()
			defer r.mu.Unlock()
			j.Done, j.Total = done, total
		})
		r.ended(j, answer, err)
	})
	return j.Job, nil
}

// called is the verb and noun of so many.
func (k *jobKind) called(n int) string {
	if n == 1 {
		return k.name + " is"
	}
	return k.many + " are"
}

// guarded works, and makes an error of a panic: as one of a request does, it must
// not end the recording.
func (r *jobs[A]) guarded(ctx context.Context, work jobWork[A], progress func(done, total int)) (answer *A, err error) {
	defer func() {
		if p := recover(); p != nil {
			r.log.Error("a "+r.kind.name+" broke down", "panic", p, "stack", string(debug.Stack()))
			err = fmt.Errorf("the %s broke down: %v; the log has more", r.kind.name, p)
		}
	}()
	return work(ctx, progress)
}

// ended keeps how a job ended.
func (r *jobs[A]) ended(j *job[A], answer *A, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	j.at = time.Now()
	j.Ended = StampOf(j.at)
	var field *FieldError
	switch {
	case err == nil:
		j.State, j.Answer, j.Done = JobDone, answer, j.Total
	case errors.Is(err, context.Canceled):
		j.State, j.Error = JobCancelled, "cancelled"
	case errors.As(err, &field):
		j.State, j.Field, j.Error = JobFailed, field.Field, field.Message
	default:
		j.State, j.Error = JobFailed, err.Error()
	}
	r.drop()
}

// drop forgets the jobs that ended too long ago, and of the rest the oldest that are
// too many. What has no answer takes no room from what has.
func (r *jobs[A]) drop() {
	over := map[bool]int{}
	for i := len(r.all) - 1; i >= 0; i-- {
		j := r.all[i]
		if !j.Over() {
			continue
		}
		if over[j.Answer != nil]++; over[j.Answer != nil] > r.kind.kept || time.Since(j.at) > jobKeptDur {
			r.all = slices.Delete(r.all, i, i+1)
		}
	}
}

// one is the job of an id. The error wraps ErrNoJob.
func (r *jobs[A]) one(id string) (*job[A], error) {
	for _, j := range r.all {
		if j.ID == id {
			return j, nil
		}
	}
	return nil, fmt.Errorf("%w of a %s with the id %q: it ended more than %.0f minutes ago or others have ended since, or the agent was started anew; ask again",
		ErrNoJob, r.kind.name, id, jobKeptDur.Minutes())
}

// show returns how a job stands. What it holds is not to be changed.
func (r *jobs[A]) show(id string) (Job[A], error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	j, err := r.one(id)
	if err != nil {
		return Job[A]{}, err
	}
	return j.Job, nil
}

// stop breaks a job off; one that has ended stays as it is.
func (r *jobs[A]) stop(id string) (Job[A], error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	j, err := r.one(id)
	if err != nil {
		return Job[A]{}, err
	}
	j.ending = true
	j.cancel()
	return j.Job, nil
}

// tend forgets old jobs until ctx ends, and then breaks off those at work.
func (r *jobs[A]) tend(ctx context.Context) error {
	tick := time.NewTicker(jobKeptDur / 10)
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

// close breaks off all jobs, waits for them, and lets none begin.
func (r *jobs[A]) close() {
	r.mu.Lock()
	r.closed = true
	for _, j := range r.all {
		j.cancel()
	}
	r.mu.Unlock()
	r.working.Wait()
}

func newJobID() string {
	var b [8]byte
	rand.Read(b[:]) // never fails
	return hex.EncodeToString(b[:])
}

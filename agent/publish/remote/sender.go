package remote

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"loadscribe/agent/outward"
)

// Sender brings the samples of one Source to one receiver. State and Wake may be
// called by many goroutines at once; Run once.
type Sender struct {
	source Source
	poster *poster
	keeper keeper
	log    *slog.Logger // names the receiver
	every  time.Duration
	wake   chan struct{} // of one place

	// Of Run's goroutine.
	most      int       // samples to ask for at once
	kept      time.Time // when the cursor was last written
	dirty     bool      // there is something to write that is not there
	replaying bool      // what is sent may be there already, until a batch is taken whole
	suspects  suspects
	told      toldRefusals
	holds     int     // batches in a row of which everything was refused
	trial     *Series // a sample that the receiver took, or minded for its time alone; nil: none yet
	minds     string  // what it says to a sample that it has; empty: not known to mind any
	mayMind   bool    // to be seen with the next sample that it takes

	mu     sync.Mutex // of what follows
	cursor cursor
	state  State // but for what the cursor has
}

// Defaults of Options, and the bounds of a Sender.
const (
	defaultEvery = 5 * time.Second
	defaultMost  = 2000
	leastMost    = 50          // however small the receiver wants its requests
	keepEvery    = time.Minute // a cursor that only moves over what gives no samples
	sameHolds    = 8           // times that a batch is held, about an hour, in which it stays the same if some of it may be there
)

// Open makes a Sender whose cursor lies below dir, in a folder of its name. Nothing
// is read or sent before Run. It fails where c.Check does.
func Open(dir string, c Config, source Source, o Options) (*Sender, error) {
	if err := c.Check(); err != nil {
		return nil, fmt.Errorf("remote write %q: %w", c.Name, err)
	}
	log := o.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	log = log.With("remote_write", c.Name)
	p, err := newPoster(c, o.UserAgent, o.Transport, log)
	if err != nil {
		return nil, fmt.Errorf("remote write %q: %w", c.Name, err)
	}
	s := &Sender{source: source, poster: p, log: log, keeper: keeper{dir: filepath.Join(dir, outward.FolderOf(c.Name)), files: outward.Disk{}},
		every: cmp.Or(o.Every, defaultEvery), most: cmp.Or(o.MostSamples, defaultMost), wake: make(chan struct{}, 1), suspects: suspects{}}
	s.state = State{Name: c.Name, To: p.to()}
	return s, nil
}

// ReadState is the State that a stopped program's cursor tells of.
func ReadState(dir string, c Config) (State, error) {
	s, err := Open(dir, c, nil, Options{})
	if err != nil {
		return State{}, err
	}
	found, err := s.keeper.load()
	if err != nil {
		return State{}, fmt.Errorf("remote write %q: read the cursor: %w", c.Name, err)
	}
	if found != nil {
		s.cursor = *found
	}
	return s.State(), nil
}

// Wake makes a Sender that waits for samples ask its Source at once. It does not
// shorten the wait after a failure.
func (s *Sender) Wake() {
	select {
	case s.wake <- struct{}{}:
	default: // awake already
	}
}

// State is how it stands.
func (s *Sender) State() State {
	s.mu.Lock()
	defer s.mu.Unlock()
	st, c := s.state, &s.cursor
	st.Samples, st.There, st.Refused, st.SetAside = c.Samples, c.There, maps.Clone(c.Refused), c.SetAside
	st.Requests, st.Bytes, st.Retried, st.Missed = c.Requests, c.Bytes, c.Retried, c.Missed
	st.FailingSinceMS, st.LastSampleMS, st.LastDeliveredMS = c.FailingSinceMS, c.LastSampleMS, c.LastDeliveredMS
	if st.SetAside > 0 {
		st.Aside = filepath.Join(s.keeper.dir, asideFile)
	}
	return st
}

// Run sends until ctx ends. What has not been delivered by then is sent by the next
// Run; a batch under way is left, and sent again.
func (s *Sender) Run(ctx context.Context) error {
	defer s.poster.close()
	if !s.begin(ctx) {
		return nil
	}
	defer s.end()
	for failures := 0; ctx.Err() == nil; {
		position, until, split := s.position()
		end := until
		if s.holds >= sameHolds { // what is new may be taken
			end = nil
		}
		b, more, err := s.source.Next(ctx, position, end, s.most)
		if err == nil {
			err = b.check()
		}
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			failures++
			a := answer{verdict: later, said: fmt.Sprintf("what is to be sent cannot be read: %v", err)}
			if !s.failed(ctx, a, failures) {
				return nil
			}
		case len(b.Series) == 0:
			failures = 0
			s.moved(&b)
			if (!more || b.Next == nil) && !outward.Wait(ctx, s.wake, s.every) {
				return nil
			}
		default:
			failures = 0
			if !s.send(ctx, &b, s.knownOf(&b, until, split)) {
				return nil
			}
		}
	}
	return nil
}

// begin reads the cursor and writes that a process is at work; it tries again while
// the disk does not give or take it. It reports whether ctx goes on.
func (s *Sender) begin(ctx context.Context) bool {
	for failures := 1; ; failures++ {
		found, err := s.keeper.load()
		if errors.Is(err, errDamaged) {
			var name string
			if name, err = s.keeper.setAside(); err == nil {
				note := fmt.Sprintf("the cursor was damaged and lies beside as %s: sending begins anew, as to a new receiver. What was not sent before that is left out, and what was sent since goes out again", name)
				s.log.Error(note)
				s.mu.Lock()
				s.state.Note = note
				s.mu.Unlock()
				s.replaying = true
			}
		}
		if err == nil {
			s.mu.Lock()
			if found != nil {
				s.cursor = *found
				s.replaying = s.replaying || found.Running
			}
			s.cursor.Running, s.dirty = true, true
			if s.cursor.Refused == nil {
				s.cursor.Refused = map[string]int64{}
			}
			s.mu.Unlock()
			if err = s.keepCursor(); err == nil {
				return true
			}
		}
		if !s.failed(ctx, answer{verdict: later, said: fmt.Sprintf("the cursor cannot be read or written: %v", err)}, failures) {
			return false
		}
	}
}

// end writes that the sender has stopped in its order.
func (s *Sender) end() {
	s.mu.Lock()
	s.cursor.Running, s.dirty = false, true
	s.mu.Unlock()
	s.keepCursor()
}

func (s *Sender) position() (at, until Position, split bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.cursor.Position, s.cursor.Sending, s.cursor.Split
}

// knownOf is what is known of a batch that was to end at until.
func (s *Sender) knownOf(b *Batch, until Position, split bool) known {
	switch {
	case until == nil && s.replaying, until != nil && !bytes.Equal(until, b.Next):
		return perhapsSent
	case until == nil:
		return fresh
	case split:
		return splitBefore
	default:
		return sentBefore
	}
}

// splits notes that the batch under way is sent in parts.
func (s *Sender) splits() {
	s.mu.Lock()
	s.cursor.Split, s.dirty = true, true
	s.mu.Unlock()
	s.keepCursor()
}

// moved goes on over a batch without samples.
func (s *Sender) moved(b *Batch) {
	s.mu.Lock()
	s.cursor.settled()
	begins := s.cursor.Position == nil // and a later beginning would be another one
	if b.Next != nil {
		s.cursor.Position, s.dirty = b.Next, true
		s.cursor.Missed += b.Missed
	}
	s.state.OldestUnsentMS = 0
	s.mu.Unlock()
	s.tellMissed(b)
	s.recovered()
	if s.dirty && (begins || time.Since(s.kept) >= keepEvery) {
		s.keepCursor()
	}
}

// send sends a batch until it is settled, and reports whether ctx goes on.
func (s *Sender) send(ctx context.Context, b *Batch, k known) bool {
	oldest, newest := b.span()
	s.mu.Lock()
	s.state.OldestUnsentMS = oldest
	s.cursor.Sending, s.cursor.Split, s.dirty = b.Next, k == splitBefore || k == perhapsSent, true
	holes := slices.Clone(s.cursor.Holes)
	s.mu.Unlock()
	s.keepCursor() // now, so that one write does for the last batch and this one
	r := settling{s: s, ctx: ctx, batch: b, known: k, holes: holes}
	a, done := r.settle()
	switch {
	case !done:
		return false
	case a != nil: // it is asked for anew, for more may have come by then
		s.mu.Lock()
		s.dirty = true
		switch {
		case k == fresh && r.unclear == 0: // nothing of it is there
			s.cursor.settled()
		case !r.leaps: // nothing new is
			s.cursor.Split, s.cursor.Holes = k != sentBefore || r.unclear > 0, holes
		}
		s.mu.Unlock()
		s.holds++
		return s.failed(ctx, *a, s.holds)
	}
	s.holds = 0
	s.refuse(r.refusals)
	s.mu.Lock()
	s.cursor.settled()
	s.cursor.Position, s.dirty = b.Next, true
	s.cursor.Missed += b.Missed
	s.cursor.LastSampleMS = max(s.cursor.LastSampleMS, newest)
	s.mu.Unlock()
	if r.inOrder() {
		s.replaying = false
	}
	s.tellMissed(b)
	s.recovered()
	return true
}

// keepCursor writes the cursor. A disk that does not take it does not hold up the
// sending: what is sent meanwhile is sent again after a restart.
func (s *Sender) keepCursor() error {
	if !s.dirty {
		return nil
	}
	s.mu.Lock()
	c := s.cursor
	c.Format, c.Refused, c.Holes = cursorFormat, maps.Clone(c.Refused), slices.Clone(c.Holes)
	before := s.state.CursorFault
	s.mu.Unlock()
	err := s.keeper.keep(&c)
	fault := ""
	if err != nil {
		fault = err.Error()
	}
	s.mu.Lock()
	s.state.CursorFault = fault
	s.mu.Unlock()
	s.kept, s.dirty = time.Now(), err != nil
	switch {
	case err != nil && before == "":
		s.log.Warn("the disk does not take the cursor: what is sent meanwhile is sent again after a restart", "error", err)
	case err == nil && before != "":
		s.log.Info("the disk takes the cursor again")
	}
	return err
}

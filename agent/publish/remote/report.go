package remote

import (
	"context"
	"fmt"
	"time"

	"loadscribe/agent/outward"
)

// failed notes that nothing goes out, waits, and reports whether ctx goes on.
func (s *Sender) failed(ctx context.Context, a answer, failures int) bool {
	wait := waitAfter(a, failures)
	s.mu.Lock()
	known := s.state.Why == a.said
	s.state.Why, s.state.Held = a.said, a.verdict == held
	if s.cursor.FailingSinceMS == 0 { // else since an earlier run
		s.cursor.FailingSinceMS = time.Now().UnixMilli()
	}
	s.mu.Unlock()
	if !known {
		s.log.Warn("samples do not go out", "error", a.said, "held", a.verdict == held, "next_try_s", int(wait.Seconds()))
	}
	return outward.Wait(ctx, nil, wait)
}

// recovered notes that all is well.
func (s *Sender) recovered() {
	s.mu.Lock()
	since, failing := s.cursor.FailingSinceMS, s.state.Why != ""
	s.cursor.FailingSinceMS, s.state.Why, s.state.Held = 0, "", false
	s.mu.Unlock()
	if failing {
		s.log.Info("samples go out again", "failing_since", time.UnixMilli(since).UTC().Format(time.RFC3339))
	}
}

// tookSome counts what a receiver took.
func (s *Sender) tookSome(series []Series) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cursor.Samples += int64(count(series))
	s.cursor.LastDeliveredMS = time.Now().UnixMilli()
}

// foundThere counts what a resend found there.
func (s *Sender) foundThere(samples int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cursor.There += int64(samples)
}

// asked counts a request.
func (s *Sender) asked(bytes int, again bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.dirty = true
	s.cursor.Requests++
	s.cursor.Bytes += int64(bytes)
	if again {
		s.cursor.Retried++
	}
}

// refuse counts what a receiver will not take, and sets it aside.
func (s *Sender) refuse(all []refusal) {
	if len(all) == 0 {
		return
	}
	samples := 0
	s.mu.Lock()
	for _, r := range all {
		s.cursor.Refused[r.answer.reason] += int64(count(r.series))
		samples += count(r.series)
	}
	s.mu.Unlock()
	err := s.keeper.makeDir()
	if err == nil {
		err = setAside(s.keeper.dir, all, time.Now())
	}
	if err == nil {
		s.mu.Lock()
		s.cursor.SetAside += int64(samples)
		s.mu.Unlock()
	}
	s.told.tell(s, all[0], samples, err)
}

// toldRefusals is what the log has had of refusals.
type toldRefusals struct {
	at      time.Time // of the last line; zero: none
	samples int       // since
}

// tellEvery is how often refusals are told at most.
const tellEvery = time.Minute

// tell logs the first refusal with the reply, then at most one line a minute.
func (t *toldRefusals) tell(s *Sender, first refusal, samples int, err error) {
	t.samples += samples
	if !t.at.IsZero() && time.Since(t.at) < tellEvery {
		return
	}
	args := []any{"samples", t.samples, "reason", first.answer.reason, "reply", first.answer.said, "series", fmt.Sprint(first.series[0].Labels)}
	if err != nil {
		args = append(args, "not_set_aside", err)
	}
	s.log.Warn("the receiver will not take some samples: they are set aside, and the rest goes on", args...)
	t.at, t.samples = time.Now(), 0
}

func (s *Sender) tellMissed(b *Batch) {
	if b.Missed > 0 {
		s.log.Warn("scans were dropped by retention before they could be sent", "scans", b.Missed)
	}
}

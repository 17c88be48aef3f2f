package main

import "testing"

func (s *soak) judgePolls(t *testing.T) { t.Logf("%+v", s.account) }
func (s *soak) judgeEvents(t *testing.T) {
	t.Log(s.seen.answers.Load(), s.seen.live.Load(), s.seen.scans.Load())
}

package dashboard

import (
	"net/http"
	"net/http/httptest"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// TestAlikeQuestionsShareAnAnswer: pages that ask the same in the same moment cost one
// computation; what was done meanwhile, or a second, makes a new one.
func TestAlikeQuestionsShareAnAnswer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &Server{}
		var made atomic.Int64
		var failing atomic.Bool
		handler := s.shared(func(*http.Request) (any, *apiError) {
			n := made.Add(1)
			time.Sleep(100 * time.Millisecond)
			if failing.Load() {
				return nil, unavailable("no")
			}
			return n, nil
		})
		ask := func(path string, times int) (got []any) {
			var mu sync.Mutex
			var all sync.WaitGroup
			for range times {
				all.Go(func() {
					body, _ := handler(httptest.NewRequest(http.MethodGet, path, nil))
					mu.Lock()
					got = append(got, body)
					mu.Unlock()
				})
			}
			all.Wait()
			return got
		}
		expect := func(what string, want int64, got []any) {
			t.Helper()
			if made.Load() != want {
				t.Errorf("%s: %d answers were made, want %d", what, made.Load(), want)
			}
			for _, g := range got {
				if g != want {
					t.Errorf("%s: got answer %v, want %d", what, g, want)
				}
			}
		}
		expect("five at once", 1, ask("/api/v1/figures?from=-1d", 5))
		expect("again at once", 1, ask("/api/v1/figures?from=-1d", 5))
		s.alike.forget()
		expect("after something was done", 2, ask("/api/v1/figures?from=-1d", 5))
		expect("another question", 3, ask("/api/v1/figures?from=-2d", 2))
		time.Sleep(sharedFor)
		expect("a second later", 4, ask("/api/v1/figures?from=-1d", 2))
		s.alike.forget()
		failing.Store(true)
		if ask("/api/v1/figures?from=-1d", 3); made.Load() != 7 {
			t.Errorf("%d answers were made, want each of three to fail for itself", made.Load()-4)
		}
		failing.Store(false)
		for i := range 2 * sharedMost {
			ask("/api/v1/figures?from="+time.Duration(i).String(), 1)
		}
		if len(s.alike.answers) > sharedMost {
			t.Errorf("%d answers are kept, at most %d", len(s.alike.answers), sharedMost)
		}
	})
}

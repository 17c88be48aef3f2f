package dashboard

import (
	"net/http"
	"net/http/httptest"
	"strings"
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

// What a person says may change what is computed: nobody gets an answer from before it.
func TestAPersonsWordEndsASharedAnswer(t *testing.T) {
	s := newTestServer(t, newShop(), Options{Secret: "s3cret"})
	if w := get(s, "/api/v1/figures"); w.Code != http.StatusOK {
		t.Fatal(w.Code, w.Body)
	}
	if len(s.alike.answers) != 1 {
		t.Fatalf("%d answers are kept, want the figures'", len(s.alike.answers))
	}
	r := httptest.NewRequest(http.MethodPost, "/api/v1/notes", strings.NewReader(`{"text":"filter changed"}`))
	r.Host = "127.0.0.1"
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Authorization", "Bearer s3cret")
	s.Handler().ServeHTTP(httptest.NewRecorder(), r)
	if len(s.alike.answers) != 0 {
		t.Error("the figures from before the note are still given out")
	}
}

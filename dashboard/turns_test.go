package dashboard

import (
	"bytes"
	"context"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// slowTaker takes nothing of an answer until it is let.
type slowTaker struct {
	*httptest.ResponseRecorder
	let <-chan struct{}
}

// Write implements io.Writer.
func (s slowTaker) Write(p []byte) (int, error) {
	<-s.let
	return s.ResponseRecorder.Write(p)
}

// exportAs asks for an export in the name of somebody; "" is a local command.
func exportAs(ctx context.Context, s *Server, name string, w http.ResponseWriter) {
	c := caller{name: name, command: name == ""}
	r := httptest.NewRequestWithContext(context.WithValue(ctx, callerKey{}, c), http.MethodGet, "/api/v1/export?from=-7d", nil)
	s.serveExport(w, r)
}

// takes reports how an export went that is read at once, and how long it waited.
func takes(t *testing.T, s *Server, name string) (status int, waited time.Duration) {
	t.Helper()
	began := time.Now()
	w := httptest.NewRecorder()
	exportAs(t.Context(), s, name, w)
	if w.Code == http.StatusOK && bytes.Count(w.Body.Bytes(), []byte("\n")) < 200_000 {
		t.Errorf("%q got %q", name, w.Body)
	}
	return w.Code, time.Since(began)
}

// Who reads an export slowly holds up nobody but themselves, and all together hold up
// no command of this computer.
func TestSlowReadersHoldUpNobodyElse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := New(&longShop{newShop()}, Options{Pages: testPages()})
		if err != nil {
			t.Fatal(err)
		}
		let := make(chan struct{})
		var slow sync.WaitGroup
		slowly := func(name string) *httptest.ResponseRecorder {
			w := httptest.NewRecorder()
			slow.Go(func() { exportAs(t.Context(), s, name, slowTaker{w, let}) })
			synctest.Wait()
			return w
		}
		must := func(name string, status int, wait time.Duration) {
			t.Helper()
			if got, waited := takes(t, s, name); got != status || waited != wait {
				t.Errorf("%q: %d after %v, want %d after %v", name, got, waited, status, wait)
			}
		}
		held := []*httptest.ResponseRecorder{slowly("A. Looker"), slowly("A. Looker")}
		must("A. Looker", http.StatusServiceUnavailable, gateWait)
		must("R. Vale", http.StatusOK, 0)
		held = append(held, slowly("R. Vale"), slowly("R. Vale"), slowly("M. Third"), slowly("M. Third"))
		must("F. Fourth", http.StatusServiceUnavailable, gateWait)
		must("", http.StatusOK, 0)
		close(let)
		slow.Wait()
		for i, w := range held {
			if w.Code != http.StatusOK || w.Body.Len() == 0 {
				t.Errorf("slow export %d: %d, %d bytes", i, w.Code, w.Body.Len())
			}
		}
		must("F. Fourth", http.StatusOK, 0)
		if n := s.exports.held(); n > 0 {
			t.Errorf("%d places are still held", n)
		}
	})
}

// atWork counts who works at once.
type atWork struct {
	mu        sync.Mutex // protects what follows
	now, most int
}

func (b *atWork) add(n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.now += n
	b.most = max(b.most, b.now)
}

// However many take turns, two work at once.
func TestExportsTakeTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newTurns()
		b := &atWork{}
		var all sync.WaitGroup
		for i := range exportPlaces {
			all.Go(func() {
				name := string(rune('a' + i/exportsOfOne))
				r := httptest.NewRequestWithContext(context.WithValue(t.Context(), callerKey{}, caller{name: name}), http.MethodGet, "/", nil)
				own, e := g.take(r)
				if e != nil {
					t.Errorf("%s: %s", name, e.message)
					return
				}
				defer own.end()
				for range 50 {
					b.add(1)
					time.Sleep(time.Second)
					b.add(-1) // before aside: within it another may be at work already
					if _, err := own.aside(func() (int, error) { time.Sleep(time.Second); return 1, nil }); err != nil {
						t.Errorf("%s: %v", name, err)
					}
				}
			})
		}
		all.Wait()
		if b.most != exportsAtWork || g.held() > 0 {
			t.Errorf("%d at work at once, want %d; %d held at the end", b.most, exportsAtWork, g.held())
		}
		// Who goes away while another works gets no turn, and leaves nothing behind.
		work := func(ctx context.Context) *turn {
			own, e := g.take(httptest.NewRequestWithContext(ctx, http.MethodGet, "/", nil))
			if e != nil {
				t.Fatal(e.message)
			}
			return own
		}
		gone, cancel := context.WithCancel(t.Context())
		own := work(gone)
		one := work(context.WithValue(t.Context(), callerKey{}, caller{name: "a"}))
		var two *turn
		_, err := own.aside(func() (int, error) {
			two = work(context.WithValue(t.Context(), callerKey{}, caller{name: "b"}))
			cancel()
			return 1, nil
		})
		if err == nil {
			t.Error("who has gone away works on")
		}
		for _, o := range []*turn{own, one, two} {
			o.end()
		}
		if g.held() > 0 {
			t.Errorf("%d places are still held", g.held())
		}
	})
}

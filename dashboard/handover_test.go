package dashboard

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/store"
)

// storeShop has a store of its own, which backups are copies of.
type storeShop struct {
	*commandShop
	store *store.Store
	dir   string
}

func (b *storeShop) Backup() (*store.Backup, error) { return b.store.Backup() }

// newStoreShop has a server with sign-in; do asks it as somebody.
func newStoreShop(t *testing.T) (b *storeShop, s *Server) {
	t.Helper()
	dir := t.TempDir()
	st, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := st.Close(); err != nil {
			t.Error(err)
		}
	})
	b = &storeShop{&commandShop{shop: newShop()}, st, dir}
	if s, err = New(b, Options{Pages: testPages(), Metrics: b, Secret: "0123abcd", Door: newTestDoor(t, nil), SignIn: true, CookiePort: "8477"}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.copies.close)
	return b, s
}

// copies are what lies in the data directory of a copy that waits.
func (b *storeShop) copies(t *testing.T) int {
	t.Helper()
	all, err := filepath.Glob(filepath.Join(b.dir, "backup.part*"))
	if err != nil {
		t.Fatal(err)
	}
	return len(all)
}

func readyCopy(t *testing.T, s *Server, cookie string) backupReady {
	t.Helper()
	w := post(s, "/api/v1/backup/ready", "{}", "Origin", pageOrigin, "Cookie", cookie)
	if w.Code != http.StatusOK {
		t.Fatalf("%d: %s", w.Code, w.Body)
	}
	readDocument(t).mustFit(t, "BackupReady", w.Body.Bytes())
	var ready backupReady
	if err := json.Unmarshal(w.Body.Bytes(), &ready); err != nil {
		t.Fatal(err)
	}
	return ready
}

func fetchCopy(s *Server, ticket, cookie string) *httptest.ResponseRecorder {
	return get(s, "/api/v1/backup/file?ticket="+url.QueryEscape(ticket), "Cookie", cookie)
}

// A copy is fetched once, by the session that asked for it, as a file that the store
// can be made of again.
func TestBackupTicket(t *testing.T) {
	b, s := newStoreShop(t)
	operate, look := cookieOf(t, s, "R. Vale", operatePassword), cookieOf(t, s, "A. Looker", lookPassword)
	other := cookieOf(t, s, "R. Vale", operatePassword) // the same person, at another browser
	ready := readyCopy(t, s, operate)
	if len(ready.Ticket) < 26 || !strings.HasSuffix(ready.Name, ".backup") || b.copies(t) != 1 { // 26 of 5 bits
		t.Errorf("%+v, %d copies", ready, b.copies(t))
	}
	for name, tt := range map[string]struct {
		ticket, cookie string
		want           int
	}{
		"nobody": {ready.Ticket, "", 401}, "who may look": {ready.Ticket, look, 403}, "another session": {ready.Ticket, other, 404},
		"no ticket": {"", operate, 400}, "another ticket": {ready.Ticket[:25] + "?", operate, 404},
	} {
		if w := fetchCopy(s, tt.ticket, tt.cookie); w.Code != tt.want {
			t.Errorf("%s: %d, want %d", name, w.Code, tt.want)
		}
	}
	if w := do(s, http.MethodHead, "/api/v1/backup/file?ticket="+ready.Ticket, "Cookie", operate); w.Code != http.StatusMethodNotAllowed {
		t.Errorf("HEAD: %d", w.Code)
	}
	w := fetchCopy(s, ready.Ticket, operate)
	if w.Code != http.StatusOK || int64(w.Body.Len()) != ready.Bytes || !strings.Contains(w.Header().Get("Content-Disposition"), ready.Name) {
		t.Fatalf("%d, %d bytes of %d, %v", w.Code, w.Body.Len(), ready.Bytes, w.Header())
	}
	file := filepath.Join(t.TempDir(), ready.Name)
	if err := os.WriteFile(file, w.Body.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := store.CheckBackup(file); err != nil {
		t.Error(err)
	}
	if w := fetchCopy(s, ready.Ticket, operate); w.Code != http.StatusNotFound {
		t.Errorf("a second time: %d", w.Code)
	}
	if b.copies(t) != 0 {
		t.Error("a copy is left behind")
	}
	// Who asks anew gives the first one up; who else asks meanwhile has to wait.
	first := readyCopy(t, s, operate)
	second := readyCopy(t, s, operate)
	if w := post(s, "/api/v1/backup/ready", "{}", "Origin", pageOrigin, "Cookie", other); w.Code != http.StatusServiceUnavailable {
		t.Errorf("another person: %d %s", w.Code, w.Body)
	}
	if w := fetchCopy(s, first.Ticket, operate); w.Code != http.StatusNotFound {
		t.Errorf("the ticket that was given up: %d", w.Code)
	}
	if w := fetchCopy(s, second.Ticket, operate); w.Code != http.StatusOK {
		t.Errorf("the second: %d", w.Code)
	}
	// The end of the server takes what waits with it, and nothing waits from then on.
	readyCopy(t, s, operate)
	s.copies.close()
	if b.copies(t) != 0 {
		t.Error("a copy is left behind at the end")
	}
	if w := post(s, "/api/v1/backup/ready", "{}", "Origin", pageOrigin, "Cookie", operate); w.Code != http.StatusServiceUnavailable || b.copies(t) != 0 {
		t.Errorf("after the end: %d, %d copies", w.Code, b.copies(t))
	}
}

// A copy that nobody fetches is gone after a minute.
func TestBackupTicketExpires(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, s := newStoreShop(t)
		operate := cookieOf(t, s, "R. Vale", operatePassword)
		ready := readyCopy(t, s, operate)
		time.Sleep(copyWait - time.Millisecond)
		synctest.Wait()
		if b.copies(t) != 1 {
			t.Fatal("it is gone too early")
		}
		time.Sleep(2 * time.Millisecond)
		synctest.Wait()
		if w := fetchCopy(s, ready.Ticket, operate); w.Code != http.StatusNotFound || b.copies(t) != 0 {
			t.Errorf("%d, %d copies after a minute", w.Code, b.copies(t))
		}
	})
}

package dashboard

import (
	"crypto/rand"
	"crypto/subtle"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"strconv"
	"sync"
	"time"

	"loadscribe/agent/store"
	"loadscribe/dashboard/door"
)

// handover holds the copy that a page asked for until the browser fetches it as a
// download, so that no page keeps a whole record in memory. The address of the
// download has a ticket that serves once, soon, and whoever asked alone.
type handover struct {
	log *slog.Logger

	mu      sync.Mutex // protects what follows
	closed  bool
	waiting *heldCopy // nil: none
}

type heldCopy struct {
	ticket  string
	session *door.Session // nil: no sign-in is asked for
	name    string
	file    *store.Backup
	expiry  *time.Timer
}

// copyWait is how long a copy waits to be fetched: the page does so at once.
const copyWait = time.Minute

// put keeps a copy for who asked for it, and gives the ticket for it.
func (h *handover) put(c caller, name string, file *store.Backup) (ticket string, e *apiError) {
	one := &heldCopy{ticket: rand.Text(), session: c.session, name: name, file: file}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed || h.waiting != nil { // the latter cannot be: a store makes one copy at a time
		h.discard(file)
		return "", unavailable("loadscribe is stopping")
	}
	one.expiry = time.AfterFunc(copyWait, func() { h.drop(one) })
	h.waiting = one
	return one.ticket, nil
}

// take gives the copy of a ticket away; nil: there is none, or it is another's.
func (h *handover) take(c caller, ticket string) *heldCopy {
	h.mu.Lock()
	defer h.mu.Unlock()
	one := h.waiting
	if one == nil || one.session != c.session || subtle.ConstantTimeCompare([]byte(one.ticket), []byte(ticket)) != 1 {
		return nil
	}
	one.expiry.Stop()
	h.waiting = nil
	return one
}

// forgo drops what waits for the same person, who asks anew.
func (h *handover) forgo(c caller) {
	h.mu.Lock()
	one := h.waiting
	h.mu.Unlock()
	if one != nil && one.session == c.session {
		h.drop(one)
	}
}

// drop removes a copy that nobody fetched.
func (h *handover) drop(one *heldCopy) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.waiting != one {
		return // it was fetched
	}
	one.expiry.Stop()
	h.waiting = nil
	h.discard(one.file)
}

func (h *handover) discard(file *store.Backup) {
	if err := file.Close(); err != nil {
		h.log.Warn("a backup's copy is left in the data directory", "err", err)
	}
}

// close removes what waits; nothing is kept from then on.
func (h *handover) close() {
	h.mu.Lock()
	h.closed = true
	one := h.waiting
	h.mu.Unlock()
	if one != nil {
		h.drop(one)
	}
}

// backupReady is the API's BackupReady.
type backupReady struct {
	Ticket string `json:"ticket"`
	Name   string `json:"name"`
	Bytes  int64  `json:"bytes"`
	WaitsS int    `json:"waits_s"`
}

// serveBackupReady makes a copy and keeps it for who asks.
func (s *Server) serveBackupReady(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	if e := readBody(r, &struct{}{}); e != nil {
		return nil, e
	}
	c := callerOf(r)
	s.copies.forgo(c)
	file, e := s.makeBackup()
	if e != nil {
		return nil, e
	}
	if r.Context().Err() != nil { // it was taken back meanwhile
		s.copies.discard(file)
		return nil, unavailable("the request was given up")
	}
	name := "loadscribe-" + fileStamp(s.backend.Now().UnixMilli()) + ".backup"
	answer := backupReady{Name: name, Bytes: file.Size, WaitsS: int(copyWait.Seconds())}
	if answer.Ticket, e = s.copies.put(c, name, file); e != nil {
		return nil, e
	}
	return answer, nil
}

// serveBackupFile hands a copy over.
func (s *Server) serveBackupFile(w http.ResponseWriter, r *http.Request) {
	q := parseQuery(r.URL.RawQuery, []string{"ticket"})
	ticket := q.text("ticket")
	switch {
	case q.err != nil:
		writeError(w, q.err)
		return
	case ticket == "":
		writeError(w, badParameter("ticket", "ticket is missing"))
		return
	case r.Method != http.MethodGet: // a HEAD would use it up
		w.Header().Set("Allow", "GET")
		writeError(w, &apiError{http.StatusMethodNotAllowed, "", "only GET here"})
		return
	}
	one := s.copies.take(callerOf(r), ticket)
	if one == nil {
		writeError(w, notFound("ticket", "no copy waits under this ticket: it serves once, within %d s, and only who asked for it", int(copyWait.Seconds())))
		return
	}
	w.Header().Set("Content-Disposition", `attachment; filename="`+one.name+`"`)
	s.sendBackup(w, r, one.file)
}

// makeBackup copies the record.
func (s *Server) makeBackup() (*store.Backup, *apiError) {
	b, ok := s.backend.(Backuper)
	if !ok {
		return nil, unavailable("a backup needs a running agent: start it with loadscribe run")
	}
	file, err := b.Backup()
	if err != nil {
		return nil, unavailable("%v", err)
	}
	return file, nil
}

// sendBackup streams a copy and removes it.
func (s *Server) sendBackup(w http.ResponseWriter, r *http.Request, file *store.Backup) {
	defer s.copies.discard(file)
	h := w.Header()
	h.Set("Content-Type", "application/octet-stream")
	h.Set("Content-Length", strconv.FormatInt(file.Size, 10))
	h.Set("Cache-Control", "no-store")
	if _, err := io.Copy(slowClient{w}, file); err != nil && !errors.Is(err, r.Context().Err()) {
		s.log.Warn("backup broken off", "err", err)
		panic(http.ErrAbortHandler) // net/http's own way to cut a connection
	}
}

package dashboard

import (
	"errors"
	"io"
	"net/http"
	"strconv"

	"loadscribe/agent/store"
)

// Backuper is a Backend whose store can be copied while it is written to.
type Backuper interface {
	// Backup copies the whole record; the caller reads the copy and closes it.
	Backup() (*store.Backup, error)
}

// serveBackup streams a copy of the record. The copy is a file before the first
// byte goes out, so that a slow client holds up nothing.
func (s *Server) serveBackup(w http.ResponseWriter, r *http.Request) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		writeError(w, q.err)
		return
	}
	b, ok := s.backend.(Backuper)
	if !ok {
		writeError(w, unavailable("a backup needs a running agent: start it with loadscribe run"))
		return
	}
	file, err := b.Backup()
	if err != nil {
		writeError(w, unavailable("%v", err))
		return
	}
	defer func() {
		if err := file.Close(); err != nil {
			s.log.Warn("a backup's copy is left in the data directory", "err", err)
		}
	}()
	h := w.Header()
	h.Set("Content-Type", "application/octet-stream")
	h.Set("Content-Length", strconv.FormatInt(file.Size, 10))
	h.Set("Cache-Control", "no-store")
	if _, err := io.Copy(slowClient{w}, file); err != nil && !errors.Is(err, r.Context().Err()) {
		s.log.Warn("backup broken off", "err", err)
		panic(http.ErrAbortHandler) // net/http's own way to cut a connection
	}
}

// slowClient gives the client writeLimit for each piece.
type slowClient struct{ w http.ResponseWriter }

// Write implements io.Writer.
func (c slowClient) Write(p []byte) (int, error) {
	allowWrite(c.w)
	return c.w.Write(p)
}

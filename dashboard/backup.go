package dashboard

import (
	"net/http"

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
	file, e := s.makeBackup()
	if e != nil {
		writeError(w, e)
		return
	}
	s.sendBackup(w, r, file)
}

// slowClient gives the client writeLimit for each piece.
type slowClient struct{ w http.ResponseWriter }

// Write implements io.Writer.
func (c slowClient) Write(p []byte) (int, error) {
	allowWrite(c.w)
	return c.w.Write(p)
}

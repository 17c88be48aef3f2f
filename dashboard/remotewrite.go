package dashboard

import "net/http"

// serveRemoteWrites tells how it stands with what is sent on.
func (s *Server) serveRemoteWrites(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	all, err := s.backend.RemoteWrites()
	if err != nil {
		return nil, unavailable("remote write: %v", err)
	}
	return all, nil
}

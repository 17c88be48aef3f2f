package dashboard

import (
	"net/http"
	"slices"

	"loadscribe/agent/sitefile"
)

// serveRegisters tells what stands in the devices now.
func (s *Server) serveRegisters(r *http.Request) (any, *apiError) {
	q := parseQuery(r.URL.RawQuery, []string{"device"})
	device := q.text("device")
	if q.err != nil {
		return nil, q.err
	}
	site := s.backend.Site()
	if known := func(d sitefile.Device) bool { return d.Name == device }; device != "" && !slices.ContainsFunc(site.Devices, known) {
		return nil, notFound("device", "device %q is not in the site file", device)
	}
	c, e := s.commands()
	if e != nil {
		return nil, e
	}
	return c.Registers(device), nil
}

// serveLines tells how the lines go.
func (s *Server) serveLines(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	c, e := s.commands()
	if e != nil {
		return nil, e
	}
	lines, err := c.Lines()
	if err != nil {
		return nil, unavailable("lines: %v", err)
	}
	return lines, nil
}

// serveSiteFiles tells what the site file and its maps say, as they run and on
// disk.
func (s *Server) serveSiteFiles(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	files, err := s.backend.SiteFiles()
	if err != nil {
		return nil, unavailable("site file: %v", err)
	}
	return files, nil
}

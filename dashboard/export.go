package dashboard

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/bundle"
	"loadscribe/agent/scan"
	"loadscribe/agent/transfer"
)

// serveExport streams stored scans as CSV. Once the header row is out there is
// no way to report an error in order, so the connection is cut: a client sees a
// broken transfer, never a short file that looks whole.
func (s *Server) serveExport(w http.ResponseWriter, r *http.Request) {
	q := parseQuery(r.URL.RawQuery, []string{"format", "layout", "from", "to", "checkpoint"}, "channel")
	format := q.choice("format", formatCSV, formatEvidence)
	layout := transfer.Layout(q.choice("layout", string(transfer.Long), string(transfer.Wide)))
	fromMS, toMS := q.window(s.backend.Now(), s.location(), true)
	channels, e := s.channels(q, maxExportChannels)
	if e != nil {
		writeError(w, e)
		return
	}
	turn, e := s.exports.take(r)
	if e != nil {
		writeError(w, e)
		return
	}
	defer turn.end()
	if format == formatEvidence {
		s.serveBundle(w, r, turn, bundle.Options{FromMS: fromMS, ToMS: toMS, Layout: layout, Channels: idsOf(channels), Kept: []byte(q.text("checkpoint"))})
		return
	}

	o := transfer.CSVOptions{Layout: layout}
	var devices []string
	for _, c := range channels {
		o.Channels = append(o.Channels, c.ID())
		if !slices.Contains(devices, c.Device) {
			devices = append(devices, c.Device)
		}
	}
	out := &exportBody{w: w, turn: turn, fromMS: fromMS, toMS: toMS}
	source := func(fn func(*scan.Scan) error) error { return s.backend.Scans(fromMS, toMS, devices, fn) }
	err := transfer.ExportCSV(r.Context(), out, source, s.backend.Groups(), o)
	switch {
	case err == nil:
	case !out.begun:
		writeError(w, unavailable("export: %v", err))
	default:
		s.log.Warn("export broken off", "err", err)
		panic(http.ErrAbortHandler) // net/http's own way to cut a connection
	}
}

// What an export is made as.
const (
	formatCSV      = "csv"
	formatEvidence = "evidence"
)

// Bundler is a Backend that can make evidence bundles.
type Bundler interface {
	// BundleFile makes one as a file; the caller reads and closes it.
	BundleFile(ctx context.Context, o bundle.Options) (*agent.BundleFile, error)
}

// serveBundle makes an evidence bundle. It is a file before the first byte goes
// out, so that a slow client holds up nothing.
func (s *Server) serveBundle(w http.ResponseWriter, r *http.Request, own *turn, o bundle.Options) {
	if len(o.Kept) == 0 {
		o.Kept = nil
	}
	b, ok := s.backend.(Bundler)
	if !ok {
		writeError(w, unavailable("an evidence bundle needs a running agent: start it with loadscribe run"))
		return
	}
	file, err := b.BundleFile(r.Context(), o)
	switch {
	case errors.Is(err, bundle.ErrEmpty):
		writeError(w, badParameter("from", "%v", err))
		return
	case errors.Is(err, bundle.ErrKept):
		writeError(w, badParameter("checkpoint", "%v", err))
		return
	case err != nil:
		writeError(w, unavailable("%v", err))
		return
	}
	defer func() {
		if err := file.Close(); err != nil {
			s.log.Warn("an evidence bundle is left in the data directory", "err", err)
		}
	}()
	own.rest()
	h := w.Header()
	h.Set("Content-Type", "application/zip")
	h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="loadscribe-%s-%s.zip"`, fileStamp(o.FromMS), fileStamp(o.ToMS)))
	h.Set("Content-Length", strconv.FormatInt(file.Size, 10))
	h.Set("Cache-Control", "no-store")
	if _, err := io.Copy(slowClient{w}, file); err != nil {
		s.log.Warn("export of evidence broken off", "err", err)
		panic(http.ErrAbortHandler) // net/http's own way to cut a connection
	}
}

func idsOf(channels []*scan.Channel) []string {
	ids := []string{}
	for _, c := range channels {
		ids = append(ids, c.ID())
	}
	return ids
}

// maxExportChannels bounds a query, not an export: none named means all.
const maxExportChannels = 256

// exportBody gives the client writeLimit for each piece and sends the headers
// with the first.
type exportBody struct {
	w            http.ResponseWriter
	turn         *turn
	fromMS, toMS int64
	begun        bool
}

// Write implements io.Writer.
func (b *exportBody) Write(p []byte) (int, error) {
	if !b.begun {
		b.begun = true
		name := fmt.Sprintf("loadscribe-%s-%s.csv", fileStamp(b.fromMS), fileStamp(b.toMS))
		h := b.w.Header()
		h.Set("Content-Type", "text/csv; charset=utf-8; header=present")
		h.Set("Content-Disposition", `attachment; filename="`+name+`"`)
		h.Set("Cache-Control", "no-store")
	}
	return b.turn.aside(func() (int, error) {
		allowWrite(b.w)
		return b.w.Write(p)
	})
}

var _ io.Writer = (*exportBody)(nil)

// fileStamp has no colon, which Windows does not allow in a file's name.
func fileStamp(ms int64) string { return time.UnixMilli(ms).UTC().Format("20060102T150405Z") }

package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"loadscribe/agent/bundle"
	"loadscribe/agent/store"
)

// WriteBundle writes an evidence bundle into an empty file. What is not sealed
// yet is not in it.
func (h *History) WriteBundle(ctx context.Context, f bundle.File, o bundle.Options) (d *bundle.Verdict, err error) {
	err = h.store.ReadLog(ctx, func(log *store.LogReader) error {
		d, err = bundle.Write(ctx, f, log, o)
		return err
	})
	return d, err
}

// ErrBundling: a BundleFile is there already.
var ErrBundling = errors.New("an evidence bundle is being made already: try again when it is done")

// bundlePart is a bundle on its way out, in the data directory.
const bundlePart = "bundle.part"

// BundleFile is a bundle in a file of the data directory, to be read once and
// closed.
type BundleFile struct {
	Size    int64
	file    *os.File
	release func()
}

// Read implements io.Reader.
func (b *BundleFile) Read(p []byte) (int, error) { return b.file.Read(p) }

// Close removes the file.
func (b *BundleFile) Close() error {
	defer b.release()
	return errors.Join(b.file.Close(), os.Remove(b.file.Name()))
}

// BundleFile makes a bundle for a client who may be slow. One at a time, else
// ErrBundling.
func (h *History) BundleFile(ctx context.Context, o bundle.Options) (*BundleFile, error) {
	select {
	case h.bundling <- struct{}{}:
	default:
		return nil, ErrBundling
	}
	release := func() { <-h.bundling }
	dir := h.site.Agent.DataDir
	f, err := os.OpenFile(filepath.Join(dir, bundlePart), os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600) // over one left by a kill
	if err != nil {
		release()
		return nil, fmt.Errorf("make an evidence bundle: %w", err)
	}
	d, err := h.WriteBundle(ctx, &sparing{File: f, dir: dir}, o)
	if err == nil {
		_, err = f.Seek(0, io.SeekStart)
	}
	if err != nil {
		err = errors.Join(err, f.Close(), os.Remove(f.Name()))
		release()
		return nil, err
	}
	return &BundleFile{Size: d.Bytes, file: f, release: release}, nil
}

// sparing is a file that leaves room on the disk for readings.
type sparing struct {
	*os.File
	dir  string
	next int64 // bytes to be written until the room is looked at again
}

const (
	bundleSpare = 64 << 20
	bundleLook  = 8 << 20
)

// WriteAt implements io.WriterAt.
func (s *sparing) WriteAt(p []byte, at int64) (int, error) {
	if s.next -= int64(len(p)); s.next <= 0 {
		s.next = bundleLook
		if free, err := store.SystemFS().Free(s.dir); err == nil && free < bundleSpare+bundleLook {
			return 0, fmt.Errorf("%s has %d MB free, and %d MB stay for readings: make room there, or stop the agent and export to another disk", s.dir, free>>20, bundleSpare>>20)
		}
	}
	return s.File.WriteAt(p, at)
}

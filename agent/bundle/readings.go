package bundle

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"

	"golang.org/x/sync/errgroup"

	"loadscribe/agent/scan"
	"loadscribe/agent/transfer"
)

// hasChannel reports whether a group has the channel of that id.
func (s *state) hasChannel(id string) bool {
	for _, g := range s.order {
		for i := range g.Channels {
			if g.Channels[i].ID() == id {
				return true
			}
		}
	}
	return false
}

// source gives the scans of the window from blocks, in the store's order.
func (s *state) source(blocks []*block, m *manifest, fetch func(*block) ([]byte, error), seen func(*scan.Scan)) transfer.Source {
	return func(fn func(*scan.Scan) error) error {
		merge := merger{groups: s.groups, shifts: s.shifts, fetch: fetch}
		return merge.run(blocks, func(sc *scan.Scan) error {
			if sc.WallMS < m.FromMS || sc.WallMS >= m.ToMS {
				return nil
			}
			seen(sc)
			return fn(sc)
		})
	}
}

// checkReadings derives the CSV from the blocks and compares it with the one in
// the bundle, byte for byte. Unpacking that runs beside the deriving.
func (v *verifier) checkReadings(ctx context.Context, progress func(done, total int64)) error {
	e := v.fixed[nameReadings]
	v.verdict.CSVBytes = e.size
	both, ctx := errgroup.WithContext(ctx)
	pieces := make(chan piece, 8)
	spare := make(chan []byte, 10)
	both.Go(func() error {
		defer close(pieces)
		return v.unpackReadings(ctx, e, pieces, spare)
	})
	both.Go(func() error {
		out := &comparer{pieces: pieces, spare: spare, total: e.size, progress: progress}
		err := v.derive(ctx, out, func(*scan.Scan) {})
		if err == nil {
			err = out.finish()
		}
		return err
	})
	return both.Wait()
}

// piece is a stretch of the bundle's CSV, or why there is none.
type piece struct {
	bytes []byte
	err   error
}

// unpackReadings sends the CSV of the bundle in pieces. Trouble with it goes
// the same way, to be met in its place; only a cancelled context is returned.
func (v *verifier) unpackReadings(ctx context.Context, e *entry, pieces chan<- piece, spare <-chan []byte) error {
	in := v.box.open(e)
	for {
		var b []byte
		select {
		case b = <-spare:
			b = b[:cap(b)]
		default:
			b = make([]byte, 128<<10)
		}
		n, err := io.ReadFull(in, b)
		last := errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
		if last {
			err = nil
		}
		if n > 0 || err != nil {
			select {
			case pieces <- piece{b[:n], err}:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		if last || err != nil {
			return nil
		}
	}
}

// derive writes the CSV that follows from the blocks; tick is told of each scan.
func (v *verifier) derive(ctx context.Context, out io.Writer, tick func(*scan.Scan)) error {
	d := v.verdict
	tally := newTally(v.state)
	fetch := func(b *block) ([]byte, error) {
		tally.block(b)
		return v.box.read(b.place, maxHeld)
	}
	seen := func(s *scan.Scan) {
		tally.scan(s)
		tick(s)
	}
	src := v.state.source(v.readings, v.manifest, fetch, seen)
	o := transfer.CSVOptions{Layout: v.manifest.Layout, Channels: v.manifest.Channels}
	if err := transfer.ExportCSV(ctx, out, src, v.state.order, o); isBroken(err) {
		return errors.Unwrap(err) // nobody here exports anything
	} else if err != nil {
		return err
	}
	d.Layout, d.Channels, d.FromMS, d.ToMS = string(v.manifest.Layout), v.manifest.Channels, v.manifest.FromMS, v.manifest.ToMS
	tally.fill(d, v.shown)
	return nil
}

// comparer is a writer that fails at the first byte that is not the bundle's.
type comparer struct {
	pieces   <-chan piece
	spare    chan<- []byte
	left     []byte // of the piece at hand
	whole    []byte
	done     int64
	total    int64
	progress func(done, total int64)
}

// Write implements io.Writer.
func (c *comparer) Write(b []byte) (int, error) {
	n := len(b)
	for len(b) > 0 {
		if len(c.left) == 0 {
			switch more, err := c.next(); {
			case err != nil:
				return 0, err
			case !more:
				return 0, broken("%s ends after %d bytes, before what follows from the blocks", nameReadings, c.done)
			}
		}
		k := min(len(b), len(c.left))
		if !bytes.Equal(b[:k], c.left[:k]) {
			return 0, c.differs(b[:k])
		}
		b, c.left = b[k:], c.left[k:]
		c.done += int64(k)
	}
	if c.progress != nil {
		c.progress(c.done, c.total)
	}
	return n, nil
}

// next takes the next piece; false at the end.
func (c *comparer) next() (bool, error) {
	if c.whole != nil {
		select {
		case c.spare <- c.whole:
		default:
		}
	}
	p := <-c.pieces
	c.whole, c.left = p.bytes, p.bytes
	return len(p.bytes) > 0, p.err
}

// differs says where the readings are not what follows from the blocks.
func (c *comparer) differs(b []byte) error {
	at := 0
	for b[at] == c.left[at] {
		at++
	}
	around := func(p []byte) string { return fmt.Sprintf("%q", p[max(0, at-40):min(len(p), at+20)]) }
	return broken("%s, byte %d: it has %s where %s follows from the blocks", nameReadings, c.done+int64(at), around(c.left), around(b))
}

// finish checks that nothing is left.
func (c *comparer) finish() error {
	more := len(c.left) > 0
	if !more {
		var err error
		if more, err = c.next(); err != nil {
			return err
		}
	}
	if more {
		return broken("%s goes on after the %d bytes that follow from the blocks", nameReadings, c.done)
	}
	return nil
}

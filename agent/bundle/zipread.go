package bundle

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"hash/crc32"
	"io"

	"github.com/klauspost/compress/flate"
)

// container is a zip whose every header byte has been checked.
type container struct {
	file    io.ReaderAt
	entries []entry
	sum     string // SHA-256 of all before the end record, as the comment says
}

// openContainer checks a container's form: headers, order, no gaps, the hash.
// What is inside the entries is not looked at.
func openContainer(r io.ReaderAt, size int64) (*container, error) {
	bad := func(format string, args ...any) error {
		return fmt.Errorf("%w: %s", ErrContainer, fmt.Sprintf(format, args...))
	}
	if size < endSize+commentSize || size > maxContainer+endSize+commentSize {
		return nil, bad("%d bytes are no evidence bundle", size)
	}
	last := make([]byte, endSize+commentSize)
	endAt := size - int64(len(last))
	if err := readAt(r, last, endAt); err != nil {
		return nil, err
	}
	if binary.LittleEndian.Uint32(last) != endMagic {
		if binary.LittleEndian.Uint32(last[commentSize:]) == endMagic {
			return nil, bad("it is a zip that was packed by another program, so that what is in it may be altered: verify the file as it came")
		}
		return nil, bad("it does not end as an evidence bundle does: it is cut off, longer than it was, or another kind of file")
	}
	n := int(binary.LittleEndian.Uint16(last[10:]))
	length, begin := int64(binary.LittleEndian.Uint32(last[12:])), int64(binary.LittleEndian.Uint32(last[16:]))
	if begin+length != endAt || n > maxEntries || length > int64(n)*(centralSize+maxNameLen+zip64Size) {
		return nil, bad("the zip's directory is not where the end record says")
	}
	sum, err := hashOf(r, endAt)
	if err != nil {
		return nil, readError(err)
	}
	if string(appendEnd(nil, n, length, begin, sum)) != string(last) {
		return nil, bad("its bytes do not have the SHA-256 that stands at its end: it was damaged or altered")
	}
	directory := make([]byte, length)
	if err := readAt(r, directory, begin); err != nil {
		return nil, err
	}
	c := &container{file: r, entries: make([]entry, 0, n), sum: sum}
	at := int64(0)
	for range n {
		var e entry
		if e, directory, err = readCentral(directory); err != nil {
			return nil, err
		}
		if e.offset != at || e.end() > begin {
			return nil, bad("%q does not lie behind the part before it", e.name)
		}
		local := make([]byte, e.localLen())
		if err := readAt(r, local, at); err != nil {
			return nil, err
		}
		if string(e.appendLocal(nil)) != string(local) {
			return nil, bad("the header of %q is not what the directory says", e.name)
		}
		at = e.end()
		c.entries = append(c.entries, e)
	}
	if at != begin || len(directory) != 0 {
		return nil, bad("there are bytes between its parts that belong to none")
	}
	return c, nil
}

func readAt(r io.ReaderAt, b []byte, at int64) error {
	if _, err := r.ReadAt(b, at); err != nil && !errors.Is(err, io.EOF) {
		return readError(err)
	}
	return nil
}

// readError marks trouble with the file's medium, which says nothing about the
// bundle.
func readError(err error) error { return fmt.Errorf("read the bundle: %w", err) }

// content reads one entry. At its end it has checked length and checksum.
type content struct {
	e      *entry
	packed *bufio.Reader
	plain  io.ReadCloser
	crc    hash.Hash32
	left   int64
}

func (c *container) open(e *entry) *content {
	section := io.NewSectionReader(c.file, e.offset+e.localLen(), e.packed)
	r := &content{e: e, packed: bufio.NewReaderSize(section, 64<<10), crc: crc32.NewIEEE(), left: e.size}
	r.plain = flate.NewReader(r.packed)
	return r
}

// Read implements io.Reader.
func (r *content) Read(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, nil
	}
	if r.left == 0 {
		return 0, r.finish()
	}
	n, err := r.plain.Read(b[:min(int64(len(b)), r.left)])
	_, _ = r.crc.Write(b[:n]) // a hash never fails
	r.left -= int64(n)
	if errors.Is(err, io.EOF) {
		err = nil
		if r.left > 0 && n == 0 {
			err = r.bad("is shorter than it says")
		}
	} else if err != nil {
		err = r.bad("cannot be unpacked")
	}
	return n, err
}

// finish returns io.EOF where nothing is left over and the checksum is right.
func (r *content) finish() error {
	var more [1]byte
	switch n, err := r.plain.Read(more[:]); {
	case n != 0:
		return r.bad("is longer than it says")
	case !errors.Is(err, io.EOF):
		return r.bad("cannot be unpacked")
	}
	if _, err := r.packed.ReadByte(); !errors.Is(err, io.EOF) {
		return r.bad("has bytes behind its end")
	}
	if r.crc.Sum32() != r.e.crc {
		return r.bad("does not have its checksum")
	}
	return io.EOF
}

func (r *content) bad(what string) error {
	return fmt.Errorf("%w: %s %s", ErrContainer, r.e.name, what)
}

// read returns an entry whole, if it has at most most bytes.
func (c *container) read(e *entry, most int64) ([]byte, error) {
	if e.size > most {
		return nil, fmt.Errorf("%w: %s has %d bytes, more than the %d that it can have", ErrContainer, e.name, e.size, most)
	}
	// A header may announce more than is there: deflate makes at most 1032 of
	// one byte (RFC 1951: 258 bytes of 2 bits).
	if e.size > 1032*e.packed {
		return nil, fmt.Errorf("%w: %s announces %d bytes, which %d cannot hold", ErrContainer, e.name, e.size, e.packed)
	}
	b := make([]byte, e.size)
	r := c.open(e)
	if _, err := io.ReadFull(r, b); err != nil {
		return nil, err
	}
	var more [1]byte
	if _, err := r.Read(more[:]); !errors.Is(err, io.EOF) {
		return nil, err
	}
	return b, nil
}

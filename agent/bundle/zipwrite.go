package bundle

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"hash/crc32"
	"io"

	"github.com/klauspost/compress/flate"
)

// File is what a bundle is written to: an *os.File, or memory. A header is
// written again once the sizes of its entry are known, and in the end all is
// read once for its hash.
type File interface {
	io.ReaderAt
	io.WriterAt
}

// packLevel is a good trade of size for time.
const packLevel = 6

// part is a file of the container that is made in memory.
type part struct {
	name    string
	content []byte
}

// zipWriter writes a container. Errors stay: finish returns the first.
type zipWriter struct {
	file    File
	out     *bufio.Writer
	place   *io.OffsetWriter
	at      int64 // bytes handed to out
	entries []entry
	pack    *flate.Writer
	open    bool
	sum     string // of all before the end record, once finished
	crc     hash.Hash32
	err     error
}

func newZipWriter(f File) *zipWriter {
	z := &zipWriter{file: f, place: io.NewOffsetWriter(f, 0), crc: crc32.NewIEEE()}
	z.out = bufio.NewWriterSize(z.place, 256<<10)
	z.pack, z.err = flate.NewWriter(packed{z}, packLevel)
	return z
}

// packed takes what the compressor gives.
type packed struct{ z *zipWriter }

// Write implements io.Writer.
func (p packed) Write(b []byte) (int, error) {
	n, err := p.z.out.Write(b)
	p.z.at += int64(n)
	return n, err
}

// begin starts an entry; what is written to z until the next begin is its
// content.
func (z *zipWriter) begin(name string) error {
	if err := z.end(); err != nil {
		return err
	}
	if len(z.entries) == maxEntries {
		return z.fail(fmt.Errorf("%w: more than %d parts", ErrTooLarge, maxEntries))
	}
	e := entry{name: name, offset: z.at}
	z.entries = append(z.entries, e)
	z.open = true
	z.crc.Reset()
	if _, err := (packed{z}).Write(e.appendLocal(nil)); err != nil {
		return z.fail(err)
	}
	z.pack.Reset(packed{z})
	return nil
}

// Write implements io.Writer.
func (z *zipWriter) Write(b []byte) (int, error) {
	if z.err != nil {
		return 0, z.err
	}
	_, _ = z.crc.Write(b) // a hash never fails
	z.entries[len(z.entries)-1].size += int64(len(b))
	n, err := z.pack.Write(b)
	if err != nil {
		return n, z.fail(err)
	}
	if z.at > maxContainer {
		return n, z.fail(fmt.Errorf("%w: more than 4 GB", ErrTooLarge))
	}
	return n, nil
}

// add writes a whole entry.
func (z *zipWriter) add(name string, content []byte) error {
	if err := z.begin(name); err != nil {
		return err
	}
	_, err := z.Write(content)
	return err
}

// end finishes the open entry and puts its header right.
func (z *zipWriter) end() error {
	if z.err != nil || !z.open {
		return z.err
	}
	z.open = false
	e := &z.entries[len(z.entries)-1]
	err := z.pack.Close()
	if err == nil {
		err = z.out.Flush()
	}
	if err == nil {
		e.crc = z.crc.Sum32()
		e.packed = z.at - e.offset - e.localLen()
		_, err = z.file.WriteAt(e.appendLocal(nil), e.offset)
	}
	if err == nil && !e.wide() && e.size >= all32 {
		err = fmt.Errorf("%w: %s has %d bytes", ErrTooLarge, e.name, e.size)
	}
	if err != nil {
		return z.fail(err)
	}
	return nil
}

// finish writes directory and end record and returns the container's length.
func (z *zipWriter) finish() (int64, error) {
	if err := z.end(); err != nil {
		return 0, err
	}
	var directory []byte
	for i := range z.entries {
		directory = z.entries[i].appendCentral(directory)
	}
	begin := z.at
	if begin+int64(len(directory)) > maxContainer {
		return 0, z.fail(fmt.Errorf("%w: more than 4 GB", ErrTooLarge))
	}
	if _, err := z.file.WriteAt(directory, begin); err != nil {
		return 0, z.fail(err)
	}
	end := begin + int64(len(directory))
	sum, err := hashOf(z.file, end)
	if err == nil {
		z.sum = sum
		last := appendEnd(nil, len(z.entries), int64(len(directory)), begin, sum)
		_, err = z.file.WriteAt(last, end)
		end += int64(len(last))
	}
	if err != nil {
		return 0, z.fail(err)
	}
	return end, nil
}

func (z *zipWriter) fail(err error) error {
	if z.err == nil {
		z.err = err
	}
	return z.err
}

// hashOf is the SHA-256 of the first n bytes, in hex.
func hashOf(r io.ReaderAt, n int64) (string, error) {
	h := sha256.New()
	if _, err := io.CopyBuffer(h, io.NewSectionReader(r, 0, n), make([]byte, min(n+1, 1<<20))); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"math/bits"
)

// The layout of a bbolt file (format 2; go.etcd.io/bbolt 1.5.0,
// internal/common). Numbers are in the machine's own byte order.
const (
	boltMagic       = 0xED0CDAED
	boltVersion     = 2
	boltNoFreelist  = ^uint64(0)
	pageHeadBytes   = 16 // id 8, flags 2, count 2, overflow 4
	pageElemBytes   = 16 // leaf: flags, pos, key size, value size; branch: pos, key size, page 8
	metaBytes       = 64
	bucketHeadBytes = 16 // root page 8, sequence 8
	flagBranch      = 1
	flagLeaf        = 2
	flagMeta        = 4
	flagFreelist    = 16
	maxTreeDepth    = 32
)

// pageWalk reads a bbolt file page by page without trusting any of it. bbolt
// itself maps the file and follows what it finds: a flipped bit there can send
// it round in a circle, out of the file or into the memory of the process, so
// a file is checked by this before bbolt sees it.
//
// A page that is wrong is noted and left out, and the walk goes on beside it.
type pageWalk struct {
	f       io.ReaderAt
	size    int64
	page    int64
	last    uint64   // pages in use are below it
	seen    []uint64 // bits: reached or free
	badHead bool     // one of the two meta pages is not valid
	err     error    // the first thing that was wrong

	// visit is called for each key: the names of its bucket and of the bucket
	// inside that one, empty where there is none, and where its value stands in
	// the file. An error is noted. It may be nil.
	visit func(top, inner string, key []byte, at, n int64) error
}

type boltMeta struct {
	root, freelist, last, txid uint64
	page                       int64
}

func (w *pageWalk) fail(format string, args ...any) {
	if w.err == nil {
		w.err = fmt.Errorf("%w: "+format, append([]any{ErrDamaged}, args...)...)
	}
}

// run walks the whole file and returns the first thing that is wrong.
func (w *pageWalk) run() error {
	m, ok := w.head()
	if !ok {
		w.fail("neither of its two heads is valid")
		return w.err
	}
	w.page, w.last = m.page, m.last
	if w.last > uint64(w.size/w.page) {
		w.fail("it has %d bytes and should have %d", w.size, w.last*uint64(w.page))
		w.last = uint64(w.size / w.page)
	}
	w.seen = make([]uint64, w.last/64+1)
	w.mark(0, 1)
	if m.freelist != boltNoFreelist {
		w.freelist(m.freelist)
	}
	w.tree(m.root, nil, nil, "", "", 0)
	if w.err == nil {
		for i := range w.last {
			if w.seen[i/64]>>(i%64)&1 == 0 {
				w.fail("page %d is neither used nor free", i)
				break
			}
		}
	}
	return w.err
}

// head finds the newest valid meta page. The second one stands one page behind
// the first, whose size is not known if the first is not valid.
func (w *pageWalk) head() (best boltMeta, ok bool) {
	first, ok1 := w.meta(0)
	second, ok2 := boltMeta{}, false
	if ok1 {
		second, ok2 = w.meta(first.page)
	} else {
		for size := int64(1024); size <= 1<<16 && !ok2; size *= 2 {
			second, ok2 = w.meta(size)
			ok2 = ok2 && second.page == size
		}
	}
	w.badHead = !ok1 || !ok2
	if ok2 && (!ok1 || second.txid > first.txid) {
		return second, true
	}
	return first, ok1
}

func (w *pageWalk) meta(at int64) (m boltMeta, ok bool) {
	b := make([]byte, pageHeadBytes+metaBytes)
	if _, err := w.f.ReadAt(b, at); err != nil {
		return m, false
	}
	b = b[pageHeadBytes:]
	ne := binary.NativeEndian
	h := fnv.New64a()
	h.Write(b[:56])
	m = boltMeta{page: int64(ne.Uint32(b[8:])), root: ne.Uint64(b[16:]), freelist: ne.Uint64(b[32:]),
		last: ne.Uint64(b[40:]), txid: ne.Uint64(b[48:])}
	ok = ne.Uint32(b) == boltMagic && ne.Uint32(b[4:]) == boltVersion && ne.Uint64(b[56:]) == h.Sum64() &&
		m.page >= 1024 && m.page <= 1<<16 && bits.OnesCount64(uint64(m.page)) == 1 && m.last >= 2
	return m, ok
}

// mark notes n pages as used; false if one was before.
func (w *pageWalk) mark(id, n uint64) bool {
	free := true
	for i := id; i <= id+n && i < w.last; i++ {
		free = free && w.seen[i/64]>>(i%64)&1 == 0
		w.seen[i/64] |= 1 << (i % 64)
	}
	return free
}

// open reads a page's head and all that stands on its first page, and notes
// the page as used.
func (w *pageWalk) open(id uint64) (b []byte, count int, flags uint16, size int64, ok bool) {
	if id < 2 || id >= w.last {
		w.fail("page %d does not exist", id)
		return nil, 0, 0, 0, false
	}
	b = make([]byte, w.page)
	if _, err := w.f.ReadAt(b, int64(id)*w.page); err != nil {
		w.fail("page %d cannot be read: %v", id, err)
		return nil, 0, 0, 0, false
	}
	ne := binary.NativeEndian
	flags, count = ne.Uint16(b[8:]), int(ne.Uint16(b[10:]))
	overflow := uint64(ne.Uint32(b[12:]))
	if ne.Uint64(b) != id || overflow >= w.last-id {
		w.fail("page %d has the head of another", id)
		return nil, 0, 0, 0, false
	}
	if !w.mark(id, overflow) {
		w.fail("page %d is used twice", id)
		return nil, 0, 0, 0, false
	}
	return b, count, flags, int64(overflow+1) * w.page, true
}

func (w *pageWalk) freelist(id uint64) {
	b, count, flags, size, ok := w.open(id)
	if !ok {
		return
	}
	if flags != flagFreelist {
		w.fail("page %d is no list of free pages", id)
		return
	}
	n, at := int64(count), int64(pageHeadBytes)
	if n == 0xFFFF {
		n, at = int64(binary.NativeEndian.Uint64(b[pageHeadBytes:])), at+8
	}
	if n < 0 || n > (size-at)/8 {
		w.fail("the list of free pages is longer than its page")
		return
	}
	ids := make([]byte, n*8)
	if _, err := w.f.ReadAt(ids, int64(id)*w.page+at); err != nil {
		w.fail("page %d cannot be read: %v", id, err)
		return
	}
	for i := range n {
		if free := binary.NativeEndian.Uint64(ids[i*8:]); free < 2 || free >= w.last || !w.mark(free, 0) {
			w.fail("page %d is free and is used, or does not exist", free)
			return
		}
	}
}

// element is one entry of a page.
type element struct {
	flags uint32
	key   []byte
	at    int64 // of the value, in the file
	value int64 // its length
	page  uint64
}

// elements reads the entries of a page that starts at start in the file and is
// size long; b is what is there of it in memory.
func (w *pageWalk) elements(b []byte, start, size int64, count int, leaf bool) ([]element, error) {
	ne := binary.NativeEndian
	if int64(count)*pageElemBytes > int64(len(b))-pageHeadBytes && int64(count)*pageElemBytes > size-pageHeadBytes {
		return nil, fmt.Errorf("%w: %d entries on a page of %d bytes", ErrDamaged, count, size)
	}
	heads := make([]byte, count*pageElemBytes)
	if err := w.bytes(heads, b, start, pageHeadBytes); err != nil {
		return nil, err
	}
	out := make([]element, count)
	for i := range out {
		h, base := heads[i*pageElemBytes:], int64(pageHeadBytes+i*pageElemBytes)
		e := &out[i]
		var pos, keyLen int64
		if leaf {
			e.flags, pos, keyLen, e.value = ne.Uint32(h), int64(ne.Uint32(h[4:])), int64(ne.Uint32(h[8:])), int64(ne.Uint32(h[12:]))
		} else {
			pos, keyLen, e.page = int64(ne.Uint32(h)), int64(ne.Uint32(h[4:])), ne.Uint64(h[8:])
		}
		if pos < int64(count-i)*pageElemBytes || keyLen > 32768 || base+pos+keyLen+e.value > size {
			return nil, fmt.Errorf("%w: entry %d reaches out of its page", ErrDamaged, i)
		}
		e.key = make([]byte, keyLen)
		if err := w.bytes(e.key, b, start, base+pos); err != nil {
			return nil, err
		}
		e.at = start + base + pos + keyLen
		if i > 0 && bytes.Compare(out[i-1].key, e.key) >= 0 {
			return nil, fmt.Errorf("%w: keys out of order", ErrDamaged)
		}
	}
	return out, nil
}

// bytes copies from a page, from memory or, behind that, from the file.
func (w *pageWalk) bytes(to, b []byte, start, at int64) error {
	if at+int64(len(to)) <= int64(len(b)) {
		copy(to, b[at:])
		return nil
	}
	if _, err := w.f.ReadAt(to, start+at); err != nil {
		return fmt.Errorf("%w: page cannot be read: %v", ErrDamaged, err)
	}
	return nil
}

// tree walks a page and what is below it. Its keys lie from least to below.
// top is the name of the outermost bucket, inner of the one in it; top empty:
// this is the root.
func (w *pageWalk) tree(id uint64, least, below []byte, top, inner string, depth int) {
	b, count, flags, size, ok := w.open(id)
	if !ok {
		return
	}
	if depth > maxTreeDepth || flags != flagBranch && flags != flagLeaf || flags == flagBranch && count == 0 {
		w.fail("page %d is neither branch nor leaf", id)
		return
	}
	all, err := w.elements(b, int64(id)*w.page, size, count, flags == flagLeaf)
	if err != nil {
		w.fail("page %d: %v", id, errors.Unwrap(err))
		return
	}
	if n := len(all); n > 0 && (bytes.Compare(all[0].key, least) < 0 || below != nil && bytes.Compare(all[n-1].key, below) >= 0) {
		w.fail("page %d has keys that belong elsewhere", id)
	}
	for i := range all {
		e := &all[i]
		if flags == flagLeaf {
			w.leaf(e, top, inner, depth)
			continue
		}
		end := below
		if i+1 < len(all) {
			end = all[i+1].key
		}
		w.tree(e.page, e.key, end, top, inner, depth+1)
	}
}

func (w *pageWalk) leaf(e *element, top, inner string, depth int) {
	if e.flags&1 == 0 {
		if top != "" && w.visit != nil {
			if err := w.visit(top, inner, e.key, e.at, e.value); err != nil {
				w.fail("%s: %v", top, err)
			}
		}
		return
	}
	if top == "" {
		top = string(e.key)
	} else {
		inner = string(e.key)
	}
	b := make([]byte, min(e.value, w.page))
	if _, err := w.f.ReadAt(b, e.at); err != nil || len(b) < bucketHeadBytes {
		w.fail("bucket %s cannot be read", top)
		return
	}
	if root := binary.NativeEndian.Uint64(b); root != 0 {
		w.tree(root, nil, nil, top, inner, depth+1)
		return
	}
	// a small bucket stands in its parent's page
	page := b[bucketHeadBytes:]
	if len(page) < pageHeadBytes || binary.NativeEndian.Uint16(page[8:]) != flagLeaf {
		w.fail("bucket %s is none", top)
		return
	}
	all, err := w.elements(page, e.at+bucketHeadBytes, int64(len(page)), int(binary.NativeEndian.Uint16(page[10:])), true)
	if err != nil {
		w.fail("bucket %s: %v", top, err)
		return
	}
	for i := range all {
		if all[i].flags&1 != 0 {
			w.fail("bucket %s has a bucket where none can be", top)
			return
		}
		w.leaf(&all[i], top, inner, depth+1)
	}
}

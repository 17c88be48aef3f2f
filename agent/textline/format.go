package textline

import (
	"bytes"
	"time"
)

// Format says how a text is cut out of the stream. The zero value takes lines:
// CR, LF or both end one, empty ones are passed over, nothing is checked.
type Format struct {
	// Begins are the bytes that every text begins with; what precedes their
	// last place in front of the end is noise. Empty: any.
	Begins []byte
	// Ends are the bytes behind a text.
	Ends []byte
	// Quiet, where above zero, ends a text by a silence instead.
	Quiet time.Duration
	// Checksum is the one that every text carries.
	Checksum Checksum
}

// found is what cut sees at the front of the stream.
type found uint8

const (
	nothing found = iota // no whole text yet
	whole                // a text whose checksum fits
	damaged              // one whose checksum does not
	noise                // an end, but no beginning before it
)

// cut looks at the front of b and returns how many bytes have been dealt with,
// what they were and, if whole, the text without Begins, Checksum, end and the
// line ends around it. idle says that nothing more will come soon.
func (f *Format) cut(b []byte, idle bool) (text []byte, n int, what found) {
	start := 0
	if len(f.Begins) == 0 && f.Quiet == 0 {
		for start < len(b) && isPadding(b[start]) {
			start++
		}
	}
	switch {
	case start == len(b):
		return nil, start, nothing
	case f.Quiet > 0 && !idle:
		return nil, start, nothing
	case f.Quiet > 0:
		text, what = f.judge(b[start:], 0)
		return text, len(b), what
	}
	return f.cutAtEnd(b, start, idle)
}

// cutAtEnd finds the end of the text that begins at start. The bytes of a raw
// checksum in front of the end may look like the end: then the next ones are
// tried too, as far as the checksum can reach.
func (f *Format) cutAtEnd(b []byte, start int, idle bool) (text []byte, n int, what found) {
	sum := &f.Checksum
	inside, behind := 0, 0 // how far past the first end the checksum may reach, and always does
	if sum.BehindEnd {
		behind = sum.width()
	} else if sum.Raw {
		inside = sum.width()
	}
	first, failed := -1, nothing
	for from := start; ; {
		i, size := f.nextEnd(b, from)
		if i < 0 || first >= 0 && i > first+inside {
			break
		}
		if first < 0 {
			first = i
		}
		stop := i + size + behind
		if stop > len(b) {
			return nil, start, nothing
		}
		text, what = f.judge(b[start:stop], size)
		if what == whole || inside == 0 {
			return text, stop, what
		}
		if failed == nothing {
			n, failed = stop, what
		}
		from = i + 1
	}
	if first < 0 || !idle && len(b) <= first+inside+len(f.Ends) {
		return nil, start, nothing
	}
	return nil, n, failed
}

// nextEnd finds an end in b[from:] and its length, or -1.
func (f *Format) nextEnd(b []byte, from int) (at, size int) {
	if len(f.Ends) > 0 {
		at, size = bytes.Index(b[from:], f.Ends), len(f.Ends)
	} else {
		at, size = bytes.IndexAny(b[from:], "\r\n"), 1
	}
	if at < 0 {
		return -1, 0
	}
	return from + at, size
}

// judge takes a piece of the stream apart: noise, Begins, text, checksum and
// an end of size bytes, or end and checksum.
func (f *Format) judge(b []byte, size int) (text []byte, what found) {
	sum := &f.Checksum
	width := sum.width()
	if len(b) < width+size {
		return nil, damaged
	}
	var covered, written []byte
	if sum.BehindEnd {
		covered, written = b[:len(b)-width], b[len(b)-width:]
		text = covered[:len(covered)-size]
	} else {
		text = b[:len(b)-size-width]
		covered, written = text, b[len(text):len(text)+width]
	}
	if len(f.Begins) > 0 {
		i := bytes.LastIndex(text, f.Begins)
		if i < 0 {
			return nil, noise
		}
		covered, text = covered[i:], text[i+len(f.Begins):]
	}
	if width > 0 && !sum.fits(covered, written) {
		return nil, damaged
	}
	return bytes.Trim(text, "\r\n\x00"), whole
}

// isPadding reports whether c never belongs to the front of a text.
func isPadding(c byte) bool { return c == '\r' || c == '\n' || c == 0 }

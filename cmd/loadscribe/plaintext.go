package main

import (
	"fmt"
	"io"
	"sync"
	"unicode/utf8"
)

// plainText is a terminal that takes no orders from what it shows. Texts of devices,
// of notes, of files and of other computers may hold control characters, which move
// the cursor, change colours, set the window's title or hide what stands before, and
// marks that turn the direction of writing: they are shown as \u001b. Line ends and
// tabs pass. Our own movements of the cursor go around it (screenOf). Several goroutines
// may write.
type plainText struct {
	out io.Writer

	mu   sync.Mutex // protects left and the order of writes
	left []byte     // the beginning of a character whose rest has not come
}

// Write implements io.Writer.
func (w *plainText) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	from := append(w.left, p...)
	w.left = nil
	safe := make([]byte, 0, len(from))
	for len(from) > 0 {
		if !utf8.FullRune(from) {
			w.left = append([]byte{}, from...)
			break
		}
		r, n := utf8.DecodeRune(from)
		if obeyed(r) || r == utf8.RuneError && n == 1 {
			if n == 1 {
				r = rune(from[0])
			}
			safe = fmt.Appendf(safe, `\u%04x`, r)
		} else {
			safe = append(safe, from[:n]...)
		}
		from = from[n:]
	}
	if _, err := w.out.Write(safe); err != nil {
		return 0, err
	}
	return len(p), nil
}

// obeyed reports whether a terminal obeys r: control characters (ECMA-48: C0, DEL
// and C1), and the marks of direction (Unicode Standard Annex 9; both from memory).
func obeyed(r rune) bool {
	switch {
	case r == '\n', r == '\t':
		return false
	case r < 0x20, r >= 0x7f && r <= 0x9f:
		return true
	}
	return r == 0x061c || r == 0x200e || r == 0x200f || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069
}

// screenOf is where our own movements of a terminal's cursor go.
func screenOf(w io.Writer) io.Writer {
	if p, ok := w.(*plainText); ok {
		return p.out
	}
	return w
}

// onTerminal makes what is shown on a terminal plain; files and pipes get every byte.
func onTerminal(w io.Writer) io.Writer {
	if terminal(w) {
		return &plainText{out: w}
	}
	return w
}

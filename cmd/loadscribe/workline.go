package main

import (
	"bytes"
	"fmt"
	"io"
	"time"
)

// workLine tells on stderr how far long work is: on a terminal in one line that
// is written again, else a line a minute once it has taken one.
type workLine struct {
	out      io.Writer
	what     string
	terminal bool
	next     time.Time
	shown    bool // a line stands on the terminal
}

const (
	progressFirst = 500 * time.Millisecond // short work tells nothing
	progressEvery = 200 * time.Millisecond
	progressLine  = time.Minute
)

func newWorkLine(out io.Writer, what string) *workLine {
	p := &workLine{out: screenOf(out), what: what, terminal: terminal(out)}
	p.next = time.Now().Add(progressLine)
	if p.terminal {
		p.next = time.Now().Add(progressFirst)
	}
	return p
}

// due reports whether it is time to tell.
func (p *workLine) due() bool { return !time.Now().Before(p.next) }

// tell writes a line if it is due.
func (p *workLine) tell(format string, args ...any) {
	if !p.due() {
		return
	}
	line := p.what + ": " + fmt.Sprintf(format, args...)
	if !p.terminal {
		fmt.Fprintln(p.out, line)
		p.next = time.Now().Add(progressLine)
		return
	}
	fmt.Fprintf(p.out, "\r%s\x1b[K", line) // and clears what an earlier, longer one left
	p.shown = true
	p.next = time.Now().Add(progressEvery)
}

func (p *workLine) share(what string, share float64) { p.tell("%s, %.0f %%", what, 100*share) }

// end takes the line off the terminal.
func (p *workLine) end() {
	if p.shown {
		fmt.Fprint(p.out, "\r\x1b[K")
		p.shown = false
	}
}

// stamped is a writer of CSV whose progress is the stamp that a line begins
// with: it knows neither the window's end nor how many rows there will be.
type stamped struct {
	out   io.Writer
	told  *workLine
	bytes int64
}

// Write implements io.Writer.
func (s *stamped) Write(b []byte) (int, error) {
	n, err := s.out.Write(b)
	s.bytes += int64(n)
	if s.told.due() {
		const minute = len("2026-03-02T12:00")
		last := bytes.LastIndexByte(b[:max(0, len(b)-minute)], '\n') // a line whose stamp is whole
		if last >= 0 {
			s.told.tell("at %s, %.1f MB", b[last+1:last+1+minute], float64(s.bytes)/1e6)
		}
	}
	return n, err
}

package probe

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
)

// DefaultListen is how long a line is listened to before anybody is asked.
const DefaultListen = 2 * time.Second

const (
	// settleTime: adapters put a stray byte on the line when they are opened.
	settleTime = 100 * time.Millisecond
	// burstGap parts what is heard into moments.
	burstGap = 50 * time.Millisecond
	maxHeard = 64 << 10 // bytes kept
	maxShown = 8        // frames described
)

// Heard is what came on a line while nothing was sent.
type Heard struct {
	Seconds float64 `json:"seconds"`
	Bytes   int     `json:"bytes"`
	Bursts  int     `json:"bursts"`
	// Frames describes whole Modbus frames with a good checksum, at most 8.
	Frames []string `json:"frames,omitempty"`
	// Count is how many there were.
	Count int `json:"frame_count"`
	// Text is the beginning of what came where it is plain text.
	Text string `json:"text,omitempty"`
}

// Quiet reports whether nothing was heard. One single byte counts as heard: a
// fast master sounds like that to a slow port.
func (h Heard) Quiet() bool { return h.Bytes == 0 }

// Explain says what the traffic is likely to be, and what to do.
func (h Heard) Explain() string {
	const instead = "; either listen to it (a line with listen = true takes the values from its answers and sends nothing), " +
		"or take that master off the line for as long as you probe"
	heard := fmt.Sprintf("%d bytes in %d moments within %.1f s", h.Bytes, h.Bursts, h.Seconds)
	switch {
	case h.Quiet():
		return "nothing was heard"
	case h.Count > 0:
		return fmt.Sprintf("another master is on this line (%s, %d whole Modbus frames: %s); two masters disturb each other",
			heard, h.Count, strings.Join(h.Frames, "; ")) + instead
	case h.Text != "":
		return fmt.Sprintf("something prints plain text on this line (%s, it begins %q): a controller that reports by itself, or a console; "+
			"set the line up with kind \"text\", or unplug what prints", heard, h.Text)
	}
	return fmt.Sprintf("the line is not silent (%s, no whole Modbus frame at this speed): another master at another speed, or noise on a line without bias or termination",
		heard) + instead + "; if no other master exists, the noise is the fault to find first: bias, termination, shield, swapped wires"
}

// Listen hears the line for a time and sends nothing.
func Listen(ctx context.Context, line Line, s modbus.Serial, listen time.Duration) (Heard, error) {
	link, err := line.Open(ctx, line.Name, s)
	if err != nil {
		return Heard{}, err
	}
	e := &ear{opened: time.Now()}
	var wait sync.WaitGroup
	failed := make(chan error, 1)
	wait.Go(func() { failed <- e.hear(link) })
	timer := time.NewTimer(settleTime + listen)
	defer timer.Stop()
	var broken error
	select {
	case <-timer.C:
	case <-ctx.Done():
		err = ctx.Err()
	case broken = <-failed:
		err = fmt.Errorf("listen on %s: %w", line.Name, broken)
	}
	closed := link.Close()
	wait.Wait()
	if err == nil && closed != nil {
		err = fmt.Errorf("close %s after listening: %w", line.Name, closed)
	}
	return e.heard(listen), err
}

// ear collects what comes. Its goroutine is alone with it until it has ended.
type ear struct {
	opened time.Time
	last   time.Time
	bytes  []byte
	count  int
	bursts int
}

func (e *ear) hear(link modbus.Link) error {
	var chunk [512]byte
	for {
		n, err := link.Read(chunk[:])
		if now := time.Now(); n > 0 && now.Sub(e.opened) > settleTime {
			if now.Sub(e.last) > burstGap {
				e.bursts++
			}
			e.last = now
			e.count += n
			e.bytes = append(e.bytes, chunk[:min(n, maxHeard-len(e.bytes))]...)
		}
		if err != nil {
			return err
		}
	}
}

func (e *ear) heard(listened time.Duration) Heard {
	h := Heard{Seconds: listened.Seconds(), Bytes: e.count, Bursts: e.bursts}
	for _, text := range framesIn(e.bytes) {
		if h.Count++; len(h.Frames) < maxShown {
			h.Frames = append(h.Frames, text)
		}
	}
	if h.Count == 0 {
		h.Text = textIn(e.bytes)
	}
	return h
}

// framesIn describes the whole RTU and ASCII frames among b.
func framesIn(b []byte) (found []string) {
	for at := 0; at < len(b); {
		text, n := frameAt(b[at:])
		if n == 0 {
			at++
			continue
		}
		found = append(found, text)
		at += n
	}
	return found
}

// frameAt describes the frame that b begins with, and gives its length.
func frameAt(b []byte) (text string, n int) {
	if b[0] == ':' {
		end := bytes.Index(b, []byte("\r\n"))
		if end < 0 {
			return "", 0
		}
		unit, pdu, err := frame.DecodeASCII(nil, b[:end+2])
		if err != nil {
			return "", 0
		}
		return "ASCII " + describePDU(unit, pdu), end + 2
	}
	for _, length := range []func([]byte) (int, bool){frame.RTURequestLength, frame.RTUResponseLength, frame.RTUIdentificationLength} {
		if n, ok := length(b); ok && n <= len(b) && frame.ValidRTU(b[:n]) {
			return describePDU(b[0], b[1:n-2]), n
		}
	}
	return "", 0
}

func describePDU(unit byte, pdu []byte) string {
	if req, err := frame.ParseReadRequest(pdu); err == nil {
		return fmt.Sprintf("unit %d is asked for %s", unit, req)
	}
	if pdu[0] >= 0x80 {
		return fmt.Sprintf("unit %d refuses function %02X", unit, pdu[0]&^0x80)
	}
	return fmt.Sprintf("unit %d, function %02X, %d bytes", unit, pdu[0], len(pdu)-1)
}

// textIn returns the beginning of b where it is plain text.
func textIn(b []byte) string {
	const least, shown = 8, 60
	plain := 0
	for _, c := range b {
		if c >= ' ' && c <= '~' || c == '\r' || c == '\n' || c == '\t' {
			plain++
		}
	}
	if len(b) < least || plain < len(b)*9/10 {
		return ""
	}
	return printable(b[:min(len(b), shown)])
}

// Eavesdrop listens with one setting after the other until whole frames are
// heard, and returns the setting. It sends nothing, so that it may be used
// where another master is at work.
func Eavesdrop(ctx context.Context, line Line, settings []modbus.Serial, each time.Duration, tell func(modbus.Serial)) (modbus.Serial, Heard, bool, error) {
	for _, s := range settings {
		if tell != nil {
			tell(s)
		}
		h, err := Listen(ctx, line, s, each)
		if err != nil && !isSettings(err) {
			return s, h, false, err
		}
		if h.Count > 0 {
			return s, h, true, nil
		}
	}
	return modbus.Serial{}, Heard{}, false, nil
}

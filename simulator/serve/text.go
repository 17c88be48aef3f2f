package serve

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"sync"
	"time"

	"loadscribe/agent/modbus/frame"
)

// PanelLayout is the register layout of the devices that have a TextPanel.
const PanelLayout = "screw-controller"

// longestQuestion bounds what a TextPanel keeps of a question without an end.
const longestQuestion = 64

// TextPanel is the plain-text port of an invented controller. What it shows is
// read from the registers of one unit with the controller's layout, so that it
// says what they say.
//
// Asked, it answers: the question is "?", a page, "*", the exclusive or of the
// page's characters in two hexadecimal digits, CR. The answer is "!", the page
// and its fields with commas between, "*", the exclusive or of all between "!"
// and "*", CR LF. A page that it does not know is answered with "!NO*01"; a
// question with a wrong checksum, not at all.
//
//	AIR,103.4,98.7,101.2                     psi: outlet, sump, receiver; ---.- without a sensor
//	HOT,187.3,72.1,95.0                      °F: air end, room, behind the aftercooler
//	RUN,LOAD,00214804,00139027,00010D32,612  state, hours and loaded hours in tenths, starts
//	                                         in hexadecimal, motor current in 0.1 A
//
// The states are LOAD, IDLE, READY (starts by itself), OFF and TRIP.
//
// Printing, it sends the three pages one after the other, each as the page and
// its fields with blanks before them, " =", the sum of all characters before
// the "=" in two hexadecimal digits, CR LF.
type TextPanel struct {
	target   Target
	unit     byte
	baud     int
	injector *Injector

	// Echo sends back what comes, as a terminal line does.
	Echo bool
}

// NewTextPanel makes the panel of a unit of target. What it sends is paced to
// baud; 0 sends it at once. injector may be nil.
func NewTextPanel(target Target, unit byte, baud int, injector *Injector) *TextPanel {
	return &TextPanel{target: target, unit: unit, baud: baud, injector: injector}
}

// Answer answers questions on rw until ctx ends (nil) or rw breaks (the
// error). It closes rw.
func (p *TextPanel) Answer(ctx context.Context, rw io.ReadWriteCloser) error {
	ctx, cancel := context.WithCancel(ctx)
	received := make(chan []byte)
	broken := make(chan error, 1)
	var wait sync.WaitGroup
	wait.Go(func() { broken <- readPieces(ctx, rw, received) })
	defer wait.Wait()
	defer rw.Close() // frees the blocked Read
	defer cancel()
	var pending []byte
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-broken:
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("simulate: read the text line: %w", err)
		case piece := <-received:
			if p.Echo {
				if err := writePaced(ctx, rw, p.baud, piece); err != nil {
					return stopped(ctx, err)
				}
			}
			pending = append(pending, piece...)
			for {
				end := bytes.IndexByte(pending, '\r')
				if end < 0 {
					break
				}
				question := bytes.TrimLeft(pending[:end], "\r\n")
				if err := p.reply(ctx, rw, question); err != nil {
					return stopped(ctx, err)
				}
				pending = pending[end+1:]
			}
			if len(pending) > longestQuestion {
				pending = nil
			}
		}
	}
}

// stopped is nil where a failure follows from the end of ctx.
func stopped(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return fmt.Errorf("simulate: write to the text line: %w", err)
}

func (p *TextPanel) reply(ctx context.Context, w io.Writer, question []byte) error {
	page, sum, ok := bytes.Cut(bytes.TrimPrefix(question, []byte("?")), []byte("*"))
	if !ok || len(question) == 0 || question[0] != '?' || string(sum) != fmt.Sprintf("%02X", exclusiveOr(page)) {
		return nil
	}
	body := []byte("NO")
	if fields := p.page(string(page)); fields != nil {
		body = append(bytes.Clone(page), bytes.Join(append([][]byte{nil}, fields...), []byte(","))...)
	}
	framed := func(unit byte, body []byte) []byte {
		switch {
		case unit != p.unit: // the fault "wrong unit": somebody else's words
			body = []byte("WHO")
		case body[0]&0x80 != 0: // the fault "refused"
			body = []byte("NO")
		}
		return fmt.Appendf(nil, "!%s*%02X\r\n", body, exclusiveOr(body))
	}
	return sendPaced(ctx, w, p.baud, p.injector.damage(p.unit, body, framed, medium{serial: true}, 0))
}

// Print prints all pages now and then every period until ctx ends (nil) or rw
// breaks (the error). What comes is not read. It closes rw.
func (p *TextPanel) Print(ctx context.Context, rw io.WriteCloser, every time.Duration) error {
	defer rw.Close()
	stop := context.AfterFunc(ctx, func() { rw.Close() }) // frees a blocked Write
	defer stop()
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for {
		for _, page := range []string{"AIR", "HOT", "RUN"} {
			body := []byte(page)
			for _, field := range p.page(page) {
				body = fmt.Appendf(body, " %7s", field)
			}
			framed := func(_ byte, body []byte) []byte {
				var sum byte
				for _, c := range append(body, ' ') {
					sum += c
				}
				return fmt.Appendf(nil, "%s =%02X\r\n", body, sum)
			}
			if err := sendPaced(ctx, rw, p.baud, p.injector.damage(p.unit, body, framed, medium{serial: true}, 0)); err != nil {
				return stopped(ctx, err)
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
	}
}

// page returns a page's fields, or nil.
func (p *TextPanel) page(name string) [][]byte {
	field := func(format string, args ...any) []byte { return fmt.Appendf(nil, format, args...) }
	switch in := p.registers(frame.ReadInputRegisters, 0, 17); {
	case in == nil:
		return nil
	case name == "AIR":
		return [][]byte{tenths(int(in[0]), 0xFFFF), tenths(int(in[1]), 0xFFFF), tenths(int(in[2]), 0xFFFF)}
	case name == "HOT":
		const broken = -0x8000
		return [][]byte{tenths(int(int16(in[3])), broken), tenths(int(int16(in[4])), broken), tenths(int(int16(in[6])), broken)}
	case name == "RUN":
		return [][]byte{p.state(), field("%08d", uint32(in[10])<<16|uint32(in[11])), field("%08d", uint32(in[12])<<16|uint32(in[13])),
			field("%08X", uint32(in[15])<<16|uint32(in[14])), field("%d", in[5])}
	}
	return nil
}

// tenths writes a count of tenths as a number with one decimal.
func tenths(count, absent int) []byte {
	if count == absent {
		return []byte("---.-")
	}
	sign := ""
	if count < 0 {
		sign, count = "-", -count
	}
	return fmt.Appendf(nil, "%s%d.%d", sign, count/10, count%10)
}

// state is the word for the status register.
func (p *TextPanel) state() []byte {
	status := p.registers(frame.ReadHoldingRegisters, 20, 1)
	word := "OFF"
	switch {
	case status == nil:
	case status[0]&(1<<4) != 0:
		word = "TRIP"
	case status[0]&(1<<1) != 0:
		word = "LOAD"
	case status[0]&(1<<0) != 0:
		word = "IDLE"
	case status[0]&(1<<3) != 0:
		word = "READY"
	}
	return []byte(word)
}

// registers reads from the unit; nil where it refuses.
func (p *TextPanel) registers(function byte, address, n uint16) []uint16 {
	request := frame.ReadRequest{Function: function, Address: address, Quantity: n}
	answer, ok := p.target.Answer(p.unit, request.AppendPDU(nil))
	if !ok || len(answer) != 2+2*int(n) {
		return nil
	}
	words := make([]uint16, n)
	for i := range words {
		words[i] = binary.BigEndian.Uint16(answer[2+2*i:])
	}
	return words
}

func exclusiveOr(b []byte) (sum byte) {
	for _, c := range b {
		sum ^= c
	}
	return sum
}

// ServeTextTCP accepts connections as a serial device server does, gives each
// to serve, and ends like ServeTCP.
func ServeTextTCP(ctx context.Context, listener net.Listener, serve func(context.Context, io.ReadWriteCloser) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stop := context.AfterFunc(ctx, func() { listener.Close() })
	defer stop()
	var wait sync.WaitGroup
	defer wait.Wait()
	defer cancel()
	room := make(chan struct{}, mostConnections)
	for {
		conn, err := listener.Accept()
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			listener.Close()
			return fmt.Errorf("simulate: accept on %s: %w", listener.Addr(), err)
		}
		select {
		case room <- struct{}{}:
		default:
			conn.Close()
			continue
		}
		wait.Go(func() {
			defer func() { <-room }()
			defer conn.Close()
			release := context.AfterFunc(ctx, func() { conn.Close() })
			defer release()
			_ = serve(ctx, conn) // a lost connection is the client's to tell
		})
	}
}

package modbus

import (
	"context"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus/frame"
)

// mute is a link that must not be written to. It ends when the other side of
// the pipe is closed.
type mute struct {
	*io.PipeReader
	t *testing.T
}

func (m mute) Write(p []byte) (int, error) {
	m.t.Errorf("a listener wrote % X", p)
	return len(p), nil
}

// overhear lets a Listener hear chunks and returns all that it made of them.
func overhear(t *testing.T, framing Framing, chunks ...[]byte) ([]Heard, ListenStats) {
	t.Helper()
	near, far := io.Pipe()
	l := NewListener(mute{near, t}, framing)
	go func() {
		for _, c := range chunks {
			for full := true; full; { // no line is faster than its listener
				l.rx.mu.Lock()
				full = len(l.rx.held) > maxHeld/2
				l.rx.mu.Unlock()
				runtime.Gosched()
			}
			if _, err := far.Write(c); err != nil {
				break
			}
		}
		far.Close()
	}()
	var all []Heard
	for {
		h, err := l.Next(t.Context())
		if err != nil {
			if !errors.Is(err, ErrLineLost) || !errors.Is(err, io.EOF) {
				t.Errorf("Next at the end: %v, want ErrLineLost and EOF", err)
			}
			break
		}
		all = append(all, h)
	}
	if err := l.Close(); err != nil {
		t.Errorf("Close: %v", err)
	}
	return all, l.Stats()
}

func singly(b []byte) (chunks [][]byte) {
	for _, v := range b {
		chunks = append(chunks, []byte{v})
	}
	return chunks
}

// published returns frames of modbus_frames.csv by mode, kind and name; source
// and basis stand beside each there.
func published(t *testing.T, mode string) map[string][]byte {
	t.Helper()
	f, err := os.Open("../../testdata/vectors/modbus_frames.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	all := map[string][]byte{}
	for _, row := range rows[1:] {
		if row[1] != mode {
			continue
		}
		adu := []byte(strings.NewReplacer(`\r`, "\r", `\n`, "\n").Replace(row[6]))
		if mode == "rtu" {
			if adu, err = hex.DecodeString(strings.ReplaceAll(row[6], " ", "")); err != nil {
				t.Fatal(err)
			}
		}
		all[row[0]+", "+row[2]] = adu
	}
	return all
}

// The specification's own exchanges, and reference ones in ASCII, one after
// another: reads give values, writes and exceptions are stepped over.
func TestListenerPublishedExchanges(t *testing.T) {
	tests := []struct {
		mode    string
		framing Framing
		order   []string
	}{
		{"rtu", RTU, []string{
			"spec 6.1 read coils, request", "spec 6.1 response, response",
			"spec 6.2 read discrete, request", "spec 6.2 response, response",
			"spec 6.5 write coil, request", "spec 6.5 write coil, request", // the answer is the same again
			"spec exception request, request", "spec exception response, response",
			"spec 6.11 write coils, request", "write multiple coils, response",
			"broadcast write register, request",
			"spec 6.3 read holding, request", "spec 6.3 response, response",
			"spec 6.12 write registers, request", "write multiple registers, response",
			"serial-line CRC example, request", // function 07: not framed, stepped over
			"spec 6.4 read input, request", "spec 6.4 response, response"}},
		{"ascii", ASCII, []string{
			"write multiple registers, request", "write multiple registers, response",
			"read coils, request", "read coils, response",
			"read discrete inputs, request", "read discrete inputs, response",
			"write single coil, request", "write single coil, request",
			"read holding registers, request", "read holding registers, response",
			"read input registers, request", "read input registers, response"}},
	}
	want := map[string][]string{
		"rtu": {"unit 17 coils 19-37: cd6b05", "unit 17 discrete inputs 196-217: acdb35",
			"unit 17 holding registers 107-109: 022b00000064", "unit 17 input register 8: 000a"},
		"ascii": {"unit 17 coils 19-55: cd6bb20e1b", "unit 17 discrete inputs 196-217: acdb35",
			"unit 17 holding registers 107-109: ae4156524340", "unit 17 input register 8: 000a"},
	}
	for _, tt := range tests {
		frames := published(t, tt.mode)
		var stream []byte
		for _, name := range tt.order {
			if frames[name] == nil {
				t.Fatalf("%s: no published frame %q", tt.mode, name)
			}
			stream = append(stream, frames[name]...)
		}
		for how, chunks := range map[string][][]byte{"at once": {stream}, "byte by byte": singly(stream)} {
			heard, stats := overhear(t, tt.framing, chunks...)
			var got []string
			for _, h := range heard {
				got = append(got, fmt.Sprintf("unit %d %s: %x", h.Unit, h.Request, h.Payload))
			}
			if strings.Join(got, "\n") != strings.Join(want[tt.mode], "\n") {
				t.Errorf("%s %s: heard\n%s\nwant\n%s", tt.mode, how, strings.Join(got, "\n"), strings.Join(want[tt.mode], "\n"))
			}
			if stats.Unpaired != 0 || stats.Doubtful != 0 {
				t.Errorf("%s %s: %+v, want nothing unpaired or doubtful", tt.mode, how, stats)
			}
			if last := tt.order[len(tt.order)-2]; last == "spec 6.4 read input, request" && (stats.Refused != 1 || stats.Skipped != 4) {
				t.Errorf("%s %s: %+v, want one exception and the four bytes of function 07 skipped", tt.mode, how, stats)
			}
		}
	}
}

// conversation writes frames in hexadecimal without their checksums.
func conversation(framing Framing, frames ...string) (stream []byte) {
	for _, text := range frames {
		raw, err := hex.DecodeString(strings.ReplaceAll(strings.TrimPrefix(text, "!"), " ", ""))
		switch {
		case err != nil:
			panic(err)
		case text[0] == '!': // as it is
			stream = append(stream, raw...)
		case framing == ASCII:
			stream = frame.AppendASCII(stream, raw[0], raw[1:])
		default:
			stream = frame.AppendRTU(stream, raw[0], raw[1:])
		}
	}
	return stream
}

func TestListenerPairs(t *testing.T) {
	const (
		ask8, ans8   = "03 03 0028 0004", "03 03 08 0001 0002 0003 0004"
		ask8b, ans8b = "03 03 0040 0004", "03 03 08 0005 0006 0007 0008"
		// 24 coils from 0, an answer that is a legal request for 5 coils from
		// 0301, and that request's own answer.
		askCoils, looksLike, ansFive = "03 01 0000 0018", "03 01 03 01 00 05", "03 01 01 1F"
	)
	tests := []struct {
		name     string
		frames   []string
		want     []string // payloads
		doubtful uint64
	}{
		{"a pair", []string{ask8, ans8}, []string{"0001000200030004"}, 0},
		{"an answer without its request", []string{ans8, ask8, ans8}, []string{"0001000200030004"}, 0},
		{"noise before the answer", []string{ask8, "!00", ans8}, []string{"0001000200030004"}, 0},
		{"noise before the request", []string{"!FF 03 03", ask8, ans8}, []string{"0001000200030004"}, 0},
		{"a torn answer", []string{ask8, "!03 03 08 00 01 00", ask8b, ans8b}, []string{}, 1},
		{"and the read after it", []string{ask8, "!03 03 08 00 01 00", ask8b, ans8b, ask8, ans8}, []string{"0001000200030004"}, 1},
		{"the same asked again", []string{ask8, ask8, ans8}, []string{"0001000200030004"}, 0},
		{"an answer that may be late", []string{ask8, ask8b, ans8, ask8, ans8}, []string{"0001000200030004"}, 1},
		{"another shape in between tells", []string{ask8, "03 03 0040 0001", "03 03 02 0009"}, []string{"0009"}, 0},
		{"another unit is no matter", []string{ask8, "04 03 0040 0004", "04 03 08 0005 0006 0007 0008"}, []string{"0005000600070008"}, 0},
		{"another unit answers", []string{ask8, "04 03 08 0005 0006 0007 0008"}, nil, 0},
		{"an answer of another length", []string{ask8, "03 03 02 0005"}, nil, 0},
		{"refused, then read", []string{ask8, "03 83 02", ask8, ans8}, []string{"0001000200030004"}, 0},
		{"coils: a request follows, it was the answer", []string{askCoils, looksLike, ask8, ans8}, []string{"010005", "0001000200030004"}, 0},
		{"coils: an answer follows, it was a request", []string{askCoils, looksLike, ansFive}, []string{"1f"}, 0},
		{"coils: an exception follows, it was a request", []string{askCoils, looksLike, "03 81 02", ask8, ans8}, []string{"0001000200030004"}, 0},
		{"coils: nothing follows, it is kept back", []string{askCoils, looksLike}, nil, 0},
		{"coils: asked from 0301, twice", []string{"03 01 0301 0018", "03 01 0301 0018", "03 01 03 FF FF FF"}, []string{"ffffff"}, 0},
		{"coils: asked from 0301, the answer the same by chance", []string{"03 01 0301 0018", "03 01 03 01 00 18", ask8, ans8},
			[]string{"010018", "0001000200030004"}, 0},
		{"coils: no telling, twice in a row", []string{askCoils, "03 01 0301 0011", "03 01 03 02 00 11", ask8, ans8},
			[]string{"0001000200030004"}, 1},
	}
	for _, framing := range []Framing{RTU, ASCII} {
		for _, tt := range tests {
			stream := conversation(framing, tt.frames...)
			for how, chunks := range map[string][][]byte{"at once": {stream}, "byte by byte": singly(stream)} {
				heard, stats := overhear(t, framing, chunks...)
				var got []string
				for _, h := range heard {
					got = append(got, hex.EncodeToString(h.Payload))
				}
				if strings.Join(got, " ") != strings.Join(tt.want, " ") || stats.Doubtful != tt.doubtful {
					t.Errorf("%v, %s, %s: heard %v, %d doubtful; want %v, %d", framing, tt.name, how, got, stats.Doubtful, tt.want, tt.doubtful)
				}
				if stats.Answers != uint64(len(heard)) {
					t.Errorf("%v, %s: %d answers counted, %d heard", framing, tt.name, stats.Answers, len(heard))
				}
			}
		}
	}
}

func TestListenerEnds(t *testing.T) {
	near, far := io.Pipe()
	defer far.Close()
	l := NewListener(mute{near, t}, RTU)
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	if _, err := l.Next(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("Next with a deadline: %v", err)
	}
	ended := make(chan error, 1)
	go func() {
		_, err := l.Next(t.Context())
		ended <- err
	}()
	if err := l.Close(); err != nil {
		t.Errorf("Close: %v", err)
	}
	select {
	case err := <-ended:
		if !errors.Is(err, ErrLineLost) {
			t.Errorf("Next after Close: %v, want ErrLineLost", err)
		}
	case <-time.After(5 * time.Second):
		t.Fatal("Close does not end Next")
	}
}

// A Client that listens first sends nothing meanwhile, says what it heard, and
// then reads as ever.
func TestClientListensFirst(t *testing.T) {
	for _, framing := range []Framing{RTU, ASCII} {
		for _, busy := range []bool{false, true} {
			run(t, Config{Framing: framing, Baud: 19200}, nil, func(r *rig) {
				heard, want := make(chan ListenStats, 1), ListenStats{}
				begun := time.Now()
				go func() {
					stats, err := r.client.ListenFirst(r.t.Context(), 2*time.Second)
					if err != nil {
						t.Error(err)
					}
					heard <- stats
				}()
				synctest.Wait() // it listens now
				if busy {
					time.Sleep(500 * time.Millisecond)
					r.client.rx.put(conversation(framing, "03 03 0000 000A"))
					want = ListenStats{Requests: 1, LastAsked: "unit 3 is asked for holding registers 0-9"}
				}
				r.expect("the read that waits", register(40), nil)
				if took := time.Since(begun); took < 2*time.Second {
					t.Errorf("%v: asked after %v, while it should listen for 2 s", framing, took)
				}
				got := <-heard
				if (got.Bytes > 0) != busy {
					t.Errorf("%v: %d bytes heard", framing, got.Bytes)
				}
				if got.Bytes = 0; got != want {
					t.Errorf("%v: heard %+v, want %+v", framing, got, want)
				}
			})
		}
	}
}

// ended is a pipe with nothing in it.
func ended() *io.PipeReader {
	near, far := io.Pipe()
	far.Close()
	return near
}

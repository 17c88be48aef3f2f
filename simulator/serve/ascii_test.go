package serve

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/modbus/frame"
)

func serveASCII(t *testing.T, l *RTULine) net.Conn {
	t.Helper()
	ours, theirs := net.Pipe()
	background(t, func(ctx context.Context) error { return l.Serve(ctx, theirs) })
	if err := ours.SetDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	return ours
}

func serveRTUOverTCP(t *testing.T, d *Driver, injector *Injector) net.Conn {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	background(t, func(ctx context.Context) error { return ServeRTUOverTCP(ctx, listener, d, injector) })
	return dial(t, listener.Addr().String())
}

// Published ASCII requests (modbus_frames.csv: source and basis beside each
// row) are understood as they stand there; the answers' LRC is the frame
// package's, itself held to published values.
func TestPublishedRequestsOverASCII(t *testing.T) {
	f, err := os.Open("../../testdata/vectors/modbus_frames.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	driver := shop(t, 0x11)
	line := NewASCIILine(driver, 0, nil)
	ours := serveASCII(t, line)
	exceptions := map[byte]byte{1: 1, 2: 1, 3: 2, 5: 1, 6: 1, 15: 1, 16: 1}
	tried := uint64(0)
	for _, row := range rows[1:] {
		if row[1] != "ascii" || row[2] != "request" || row[3] != "17" {
			continue
		}
		function := unhex(t, row[5])[0]
		pdu := []byte{function | 0x80, exceptions[function]}
		if function == frame.ReadInputRegisters { // register 8, which the controller has
			pdu, _ = driver.Answer(0x11, unhex(t, row[5]))
		}
		want := frame.AppendASCII(nil, 0x11, pdu)
		request := strings.NewReplacer(`\r`, "\r", `\n`, "\n").Replace(row[6])
		if got := exchange(t, ours, []byte(request), len(want)); !bytes.Equal(got, want) {
			t.Errorf("%s: %q, want %q", row[0], got, want)
		}
		tried++
	}
	if tried < 8 || line.Counts() != (RTUCounts{Answered: tried}) {
		t.Fatalf("%d published requests tried, the line saw %+v", tried, line.Counts())
	}
}

// ASCII on a line and RTU over TCP give the same image as any other server.
func TestASCIIAndRTUOverTCPGiveTheImage(t *testing.T) {
	driver := shop(t, 1)
	ascii := serveASCII(t, NewASCIILine(driver, 115200, nil))
	tcp := serveRTUOverTCP(t, driver, nil)
	for _, pdu := range [][]byte{unhex(t, "04 00 00 00 08"), unhex(t, "03 00 14 00 01"), unhex(t, "04 00 0A 00 07")} {
		want, ok := driver.Answer(1, pdu)
		if !ok || want[0] != pdu[0] {
			t.Fatalf("% X: answer % X, %v", pdu, want, ok)
		}
		inASCII, inRTU := frame.AppendASCII(nil, 1, want), frame.AppendRTU(nil, 1, want)
		if got := exchange(t, ascii, frame.AppendASCII(nil, 1, pdu), len(inASCII)); !bytes.Equal(got, inASCII) {
			t.Errorf("ascii % X: %q, want %q", pdu, got, inASCII)
		}
		if got := exchange(t, tcp, frame.AppendRTU(nil, 1, pdu), len(inRTU)); !bytes.Equal(got, inRTU) {
			t.Errorf("rtu over tcp % X: % X, want % X", pdu, got, inRTU)
		}
	}
}

func TestASCIILineRecovers(t *testing.T) {
	line := NewASCIILine(shop(t, 1), 0, nil)
	ours := serveASCII(t, line)
	good := frame.AppendASCII(nil, 1, unhex(t, "04 00 00 00 01"))
	want := uint64(0)
	for _, before := range []string{"", "\x00\xff", ":0104", ":010400000001FF\r\n", "noise\r\n", strings.Repeat(":", 600)} {
		if got := exchange(t, ours, append([]byte(before), good...), 15); !bytes.HasPrefix(got, []byte(":010402")) {
			t.Errorf("after %q: %q", before, got)
		}
		if strings.HasSuffix(before, "\n") {
			want++
		}
	}
	if got := line.Counts(); got.BadRequests != want || got.Answered != 6 {
		t.Errorf("line saw %+v, want 6 answers and %d bad requests", got, want)
	}
	exchange(t, ours, frame.AppendASCII(nil, 9, unhex(t, "04 00 00 00 01")), 0)
	exchange(t, ours, good[:4], 0)
	exchange(t, ours, good[4:], 15)
	if got := line.Counts(); got.OtherUnit != 1 || got.Answered != 7 {
		t.Errorf("line saw %+v, want 7 answers and one for another unit", got)
	}
}

// The faults of RTU hold for ASCII and for RTU over TCP, on which a socket can
// be dropped as well.
func TestFaultsOverASCIIAndRTUOverTCP(t *testing.T) {
	const by = 40 * time.Millisecond
	pdu := []byte{4, 0, 0, 0, 4}
	for _, over := range []string{"ascii", "rtu over tcp"} {
		for _, fault := range []Fault{Silence, Late, WrongUnit, Garbage, Torn, Flipped, Refused, Dropped} {
			driver := shop(t, 1)
			f := Faults{Seed: 5, By: by}
			f.Share[fault] = 1
			i := injector(t, f)
			answer, _ := driver.Answer(1, pdu)
			var conn net.Conn
			request, good := frame.AppendASCII(nil, 1, pdu), frame.AppendASCII(nil, 1, answer)
			if over == "ascii" {
				conn = serveASCII(t, NewASCIILine(driver, 0, i))
			} else {
				conn, request, good = serveRTUOverTCP(t, driver, i), frame.AppendRTU(nil, 1, pdu), frame.AppendRTU(nil, 1, answer)
			}
			begun := time.Now()
			if _, err := conn.Write(request); err != nil {
				t.Fatal(err)
			}
			if fault == Dropped && over != "ascii" {
				if n, err := conn.Read(make([]byte, 1)); !errors.Is(err, io.EOF) {
					t.Errorf("%s %v: read %d bytes, %v, want EOF", over, fault, n, err)
				}
				continue
			}
			n := map[Fault]int{Silence: 0, Garbage: len(good) + 1, Refused: len(good) - len(answer) + 2}[fault]
			if over == "ascii" && fault == Refused {
				n = len(good) - 2*(len(answer)-2)
			}
			if n == 0 && fault != Silence {
				n = len(good)
			}
			got, first, _ := listen(t, conn, begun, n, 2*by)
			same := bytes.Equal(got, good)
			unharmed := fault == Late || fault == Torn || fault == Dropped
			if len(got) != n || same != unharmed || fault == Late && first < by {
				t.Errorf("%s %v: %q after %v, the good answer is %q", over, fault, got, first, good)
			}
			if counted := i.Counts()[fault]; counted != 1 && fault != Dropped {
				t.Errorf("%s %v: counted %d", over, fault, counted)
			}
		}
	}
}

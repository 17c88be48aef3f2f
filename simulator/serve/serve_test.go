package serve

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/hex"
	"io"
	"net"
	"os"
	"runtime"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus/frame"
	"loadscribe/simulator"
)

// shop is the joinery on a Monday at ten, with the controller at unit id unit.
func shop(t *testing.T, unit uint8) *Driver {
	t.Helper()
	s, err := simulator.LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	s.Devices[0].Unit = unit
	w, err := simulator.New(s, simulator.BenchStart(s.Location).Add(10*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	return NewDriver(w)
}

// background runs f until the test ends and waits for it.
func background(t *testing.T, f func(context.Context) error) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- f(ctx) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("server: %v", err)
			}
		case <-time.After(10 * time.Second):
			t.Error("server did not stop within 10 s")
		}
	})
}

func serveTCP(t *testing.T, d *Driver, injector *Injector) net.Conn {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	background(t, func(ctx context.Context) error { return ServeTCP(ctx, listener, d, injector) })
	return dial(t, listener.Addr().String())
}

func dial(t *testing.T, address string) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	if err := conn.SetDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	return conn
}

// exchange sends request and reads n bytes.
func exchange(t *testing.T, rw io.ReadWriter, request []byte, n int) []byte {
	t.Helper()
	if _, err := rw.Write(request); err != nil {
		t.Fatalf("send % X: %v", request, err)
	}
	answer := make([]byte, n)
	if k, err := io.ReadFull(rw, answer); err != nil {
		t.Fatalf("request % X: %v after % X", request, err, answer[:k])
	}
	return answer
}

func unhex(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Published requests (modbus_frames.csv: source and basis beside each row) are
// answered in the published form: reads beyond the map and writes refused; the
// expected CRC is the frame package's, itself held to published values.
func TestPublishedRequestsOverRTUAndTCP(t *testing.T) {
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
	ours, theirs := net.Pipe()
	background(t, func(ctx context.Context) error { return ServeRTU(ctx, theirs, 0, driver, nil) })
	tcp := serveTCP(t, driver, nil)
	if err := ours.SetDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	exceptions := map[byte]byte{1: 1, 2: 1, 3: 2, 5: 1, 6: 1, 15: 1, 16: 1}
	tried := 0
	for _, row := range rows[1:] {
		if row[1] != "rtu" || row[2] != "request" || row[3] != "17" || strings.HasPrefix(row[0], "spec exception") {
			continue
		}
		pdu := unhex(t, row[5])
		want := []byte{pdu[0] | 0x80, exceptions[pdu[0]]}
		if pdu[0] == 4 {
			// The published read of input register 8 meets a reserved register
			// of ours, which is readable and zero.
			want = []byte{4, 2, 0, 0}
		}
		rtuWant := frame.AppendRTU(nil, 0x11, want)
		if got := exchange(t, ours, unhex(t, row[6]), len(rtuWant)); !bytes.Equal(got, rtuWant) {
			t.Errorf("rtu %s: % X, want % X", row[0], got, rtuWant)
		}
		tcpWant := frame.AppendTCP(nil, 0x1234, 0x11, want)
		if got := exchange(t, tcp, frame.AppendTCP(nil, 0x1234, 0x11, pdu), len(tcpWant)); !bytes.Equal(got, tcpWant) {
			t.Errorf("tcp %s: % X, want % X", row[0], got, tcpWant)
		}
		tried++
	}
	if tried < 10 {
		t.Fatalf("only %d published requests tried", tried)
	}
	// 11 83 02 C1 34: the published frame of an illegal address for unit 17.
	if got, want := exchange(t, ours, frame.AppendRTU(nil, 0x11, unhex(t, "03 00 6B 00 03")), 5), unhex(t, "11 83 02 C1 34"); !bytes.Equal(got, want) {
		t.Errorf("illegal address: % X, want % X", got, want)
	}
}

// Both servers give the register image, for each unit its own.
func TestServersGiveTheImage(t *testing.T) {
	driver := shop(t, 1)
	driver.Do(func(w *simulator.World) { w.Advance(w.Now().Add(5 * time.Minute)) })
	ours, theirs := net.Pipe()
	line := NewRTULine(driver, 115200, nil)
	background(t, func(ctx context.Context) error { return line.Serve(ctx, theirs) })
	tcp := serveTCP(t, driver, nil)
	for i, tt := range []struct {
		unit byte
		pdu  string
	}{{1, "04 00 00 00 08"}, {1, "03 00 14 00 01"}, {2, "04 00 00 00 0E"}, {2, "04 00 10 00 05"}, {1, "04 00 0A 00 07"}} {
		pdu := unhex(t, tt.pdu)
		want, ok := driver.Answer(tt.unit, pdu)
		if !ok || want[0] != pdu[0] {
			t.Fatalf("unit %d, % X: answer % X, %v", tt.unit, pdu, want, ok)
		}
		rtuWant := frame.AppendRTU(nil, tt.unit, want)
		if got := exchange(t, ours, frame.AppendRTU(nil, tt.unit, pdu), len(rtuWant)); !bytes.Equal(got, rtuWant) {
			t.Errorf("rtu unit %d % X: % X, want % X", tt.unit, pdu, got, rtuWant)
		}
		tcpWant := frame.AppendTCP(nil, uint16(i), tt.unit, want)
		if got := exchange(t, tcp, frame.AppendTCP(nil, uint16(i), tt.unit, pdu), len(tcpWant)); !bytes.Equal(got, tcpWant) {
			t.Errorf("tcp unit %d % X: % X, want % X", tt.unit, pdu, got, tcpWant)
		}
	}
	if got := line.Counts(); got.Answered != 5 || got.OtherUnit != 0 || got.BadRequests != 0 {
		t.Errorf("line saw %+v, want 5 answers", got)
	}
	if got, want := exchange(t, tcp, frame.AppendTCP(nil, 9, 77, unhex(t, "04 00 00 00 01")), 9), unhex(t, "00 09 00 00 00 03 4D 84 0B"); !bytes.Equal(got, want) {
		t.Errorf("tcp unit 77: % X, want exception 0B % X", got, want)
	}
}

// A serial line is silent for other units and for broken requests, and answers
// the next good one.
func TestRTULineRecovers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		driver := shop(t, 1)
		ours, theirs := net.Pipe()
		line := NewRTULine(driver, 0, nil)
		background(t, func(ctx context.Context) error { return line.Serve(ctx, theirs) })
		if err := ours.SetDeadline(time.Now().Add(20 * time.Second)); err != nil {
			t.Fatal(err)
		}
		good := frame.AppendRTU(nil, 1, unhex(t, "04 00 00 00 01"))
		bad := bytes.Clone(good)
		bad[3] ^= 1
		for i, noise := range [][]byte{bad, {0xFF}, good[:5], append([]byte{0}, good...), bytes.Repeat([]byte{0xAA}, 700)} {
			if _, err := ours.Write(noise); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Second) // the silence after it
			if n := line.Counts().BadRequests; n != uint64(i)+1 {
				t.Fatalf("% X makes it %d bad requests, want %d", noise[:min(8, len(noise))], n, i+1)
			}
			if got := exchange(t, ours, good, 7); got[0] != 1 || got[1] != 4 {
				t.Errorf("after % X: % X", noise[:min(8, len(noise))], got)
			}
		}
		if _, err := ours.Write(frame.AppendRTU(nil, 9, unhex(t, "04 00 00 00 01"))); err != nil {
			t.Fatal(err)
		}
		// In two pieces, as a slow adapter delivers them.
		if _, err := ours.Write(good[:3]); err != nil {
			t.Fatal(err)
		}
		exchange(t, ours, good[3:], 7)
		if got := line.Counts(); got.Answered != 6 || got.OtherUnit != 1 || got.BadRequests != 5 {
			t.Errorf("line saw %+v, want 6 answers, 1 other unit, 5 bad requests", got)
		}
	})
}

// On a pty an answer takes no less than its characters do.
func TestPtyIsPaced(t *testing.T) {
	if runtime.GOOS != "linux" && runtime.GOOS != "darwin" {
		if _, err := OpenPty(); err == nil {
			t.Error("OpenPty works where it says it cannot")
		}
		return
	}
	driver := shop(t, 1)
	p, err := OpenPty()
	if err != nil {
		t.Fatal(err)
	}
	const baud = 9600
	background(t, func(ctx context.Context) error { return ServeRTU(ctx, p, baud, driver, nil) })
	for range 2 { // a client that closes does not end the line
		client, err := os.OpenFile(p.Path(), os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		begun := time.Now()
		got := exchange(t, client, frame.AppendRTU(nil, 2, unhex(t, "04 00 00 00 0E")), 33)
		if took, least := time.Since(begun), frame.TransmitTime(baud, 33); took < least {
			t.Errorf("33 characters at %d baud took %v, less than %v", baud, took, least)
		}
		if !frame.ValidRTU(got) || got[0] != 2 {
			t.Errorf("answer % X", got)
		}
		if err := client.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func TestDriverRuns(t *testing.T) {
	driver := shop(t, 1)
	begin := driver.Now()
	background(t, func(ctx context.Context) error { return driver.Run(ctx, 100000) })
	deadline := time.After(10 * time.Second)
	for driver.Now().Before(begin.Add(time.Hour)) {
		select {
		case <-deadline:
			t.Fatalf("at %v after 10 s, want an hour past %v", driver.Now(), begin)
		case <-time.After(10 * time.Millisecond):
		}
		if _, ok := driver.Answer(1, []byte{4, 0, 0, 0, 1}); !ok {
			t.Fatal("unit 1 is gone")
		}
	}
	if err := driver.Run(context.Background(), 0); err == nil {
		t.Error("speed 0 is accepted")
	}
}

// Follow brings a world that is behind to the wall clock.
func TestDriverFollows(t *testing.T) {
	s, err := simulator.LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	w, err := simulator.New(s, time.Now().Add(-30*time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	driver := NewDriver(w)
	background(t, driver.Follow)
	for end := time.Now().Add(10 * time.Second); time.Since(driver.Now()) > time.Second; {
		if time.Now().After(end) {
			t.Fatalf("%v behind after 10 s", time.Since(driver.Now()))
		}
		time.Sleep(10 * time.Millisecond)
	}
}

//go:build linux

package modbus

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
)

// patience is the timeout of real reads that must succeed, however busy the
// machine that runs the test.
const patience = 10 * time.Second

var line8N1 = Serial{19200, 8, 'N', 1}

// openPTY returns the two ends of a new pseudo-terminal. Closing the device's
// end frees a Read on it.
func openPTY(t *testing.T) (device, port *os.File) {
	t.Helper()
	blocking, port, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	defer blocking.Close()
	fd, err := syscall.Dup(int(blocking.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.SetNonblock(fd, true); err != nil {
		t.Fatal(err)
	}
	return os.NewFile(uintptr(fd), "device"), port
}

// answerOn answers requests on the device's end of a pseudo-terminal until it
// is closed; it answers those for which reply is true.
func answerOn(device *os.File, reply func(n int) bool) <-chan struct{} {
	done := make(chan struct{})
	go func() {
		defer close(done)
		var in []byte
		chunk := make([]byte, 256)
		for n := 1; ; {
			got, err := device.Read(chunk)
			if err != nil {
				return
			}
			for in = append(in, chunk[:got]...); len(in) >= 8; in = in[8:] {
				unit, pdu, err := frame.DecodeRTU(in[:8])
				if err != nil {
					return
				}
				req, err := frame.ParseReadRequest(pdu)
				if err != nil {
					return
				}
				if reply(n) {
					answer := frame.AppendReadResponse(nil, req.Function, payloadOf(n, req))
					device.Write(frame.AppendRTU(nil, unit, answer))
				}
				n++
			}
		}
	}()
	return done
}

// TestPTY: data of every byte value, a silence and a hang-up on a
// pseudo-terminal, through the serial library.
func TestPTY(t *testing.T) {
	device, port := openPTY(t)
	defer port.Close()
	done := answerOn(device, func(n int) bool { return n != 4 })
	link, err := OpenSerial(t.Context(), port.Name(), line8N1)
	if err != nil {
		t.Fatal(err)
	}
	client := NewClient(link, Config{Framing: RTU, Baud: 19200})
	defer client.Close()
	for n := 1; n <= 6; n++ {
		req := registers(0, 120) // 240 bytes that step by 7: control characters and all
		timeout := patience
		if n == 4 {
			timeout = 300 * time.Millisecond
		}
		got, err := client.Read(t.Context(), 1, req, timeout)
		if n == 4 {
			if !errors.Is(err, ErrTimeout) {
				t.Fatalf("silence: %v", err)
			}
			continue
		}
		if err != nil || !bytes.Equal(got, payloadOf(n, req)) {
			t.Fatalf("read %d: %v, % X", n, err, got)
		}
	}
	device.Close()
	port.Close()
	<-done
	_, err = client.Read(t.Context(), 1, register(0), 300*time.Millisecond)
	if !errors.Is(err, ErrLineLost) || ReasonOf(err) != scan.PortGone {
		t.Errorf("after the hang-up: %v", err)
	}
}

// TestReplug: 50 times the adapter vanishes and comes back under another name
// behind the same link; reading goes on, and no handle stays open.
func TestReplug(t *testing.T) {
	name := filepath.Join(t.TempDir(), "adapter")
	var handles int
	for round := range 50 {
		device, port := openPTY(t)
		os.Remove(name)
		if err := os.Symlink(port.Name(), name); err != nil {
			t.Fatal(err)
		}
		done := answerOn(device, func(int) bool { return true })
		link, err := OpenSerial(t.Context(), name, line8N1)
		if err != nil {
			t.Fatal(err)
		}
		client := NewClient(link, Config{Framing: RTU, Baud: 19200})
		if _, err := client.Read(t.Context(), 1, register(7), patience); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		device.Close()
		port.Close()
		<-done
		if _, err := client.Read(t.Context(), 1, register(7), 100*time.Millisecond); !errors.Is(err, ErrLineLost) {
			t.Fatalf("round %d: %v", round, err)
		}
		if err := client.Close(); err != nil {
			t.Fatal(err)
		}
		open, err := os.ReadDir("/proc/self/fd")
		if err != nil {
			t.Fatal(err)
		}
		if round == 0 {
			handles = len(open)
		} else if len(open) > handles {
			t.Fatalf("round %d: %d handles open, %d after the first", round, len(open), handles)
		}
	}
}

// TestCloseFreesRead: Close ends a read that waits on a silent port.
func TestCloseFreesRead(t *testing.T) {
	device, port := openPTY(t)
	defer device.Close()
	defer port.Close()
	link, err := OpenSerial(t.Context(), port.Name(), line8N1)
	if err != nil {
		t.Fatal(err)
	}
	client := NewClient(link, Config{Framing: RTU, Baud: 19200})
	result := make(chan error, 1)
	go func() {
		_, err := client.Read(t.Context(), 1, register(0), time.Minute)
		result <- err
	}()
	time.Sleep(20 * time.Millisecond)
	if err := client.Close(); err != nil {
		t.Error(err)
	}
	if err := <-result; !errors.Is(err, ErrLineLost) {
		t.Error(fmt.Errorf("got %w", err))
	}
}

package modbus

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// fakePort is a port whose calls can hang.
type fakePort struct {
	reads     atomic.Int64
	hangRead  chan struct{} // nil: Read times out as the library's does
	hangWrite chan struct{}
	hangClose chan struct{}
	writeMost int
	written   []byte
	closed    atomic.Bool
}

func (p *fakePort) Read([]byte) (int, error) {
	p.reads.Add(1)
	if p.hangRead != nil {
		<-p.hangRead
		return 0, os.ErrClosed
	}
	time.Sleep(portReadTimeout)
	return 0, nil
}

func (p *fakePort) Write(b []byte) (int, error) {
	if p.hangWrite != nil {
		<-p.hangWrite
		return 0, os.ErrClosed
	}
	if p.writeMost > 0 && len(b) > p.writeMost {
		b = b[:p.writeMost]
	}
	p.written = append(p.written, b...)
	return len(b), nil
}

func (p *fakePort) SetReadTimeout(time.Duration) error { return nil }

func (p *fakePort) Close() error {
	if p.hangClose != nil {
		<-p.hangClose
	}
	p.closed.Store(true)
	return nil
}

func openFake(t *testing.T, p *fakePort) *serialLink {
	t.Helper()
	l, err := openPort(t.Context(), func() (port, error) { return p, nil }, 19200)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// TestPortTimeoutIsNoSuccess: the library's (0, nil) becomes ErrTimeout by the
// client's deadline, at a few reads a second.
func TestPortTimeoutIsNoSuccess(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &fakePort{writeMost: 3}
		client := NewClient(openFake(t, p), Config{Framing: RTU, Baud: 19200})
		start := time.Now()
		_, err := client.Read(t.Context(), 1, register(0), time.Second)
		took := time.Since(start)
		if !errors.Is(err, ErrTimeout) || took < time.Second || took > 1010*time.Millisecond {
			t.Errorf("%v after %v", err, took)
		}
		if n := p.reads.Load(); n > 12 {
			t.Errorf("%d reads of the port in a second: it spins", n)
		}
		if len(p.written) != 8 {
			t.Errorf("%d bytes written in parts, want 8", len(p.written))
		}
		if err := client.Close(); err != nil {
			t.Error(err)
		}
		if !p.closed.Load() {
			t.Error("the port was not closed")
		}
	})
}

// TestHangingPort: a driver that hangs in Read, Write or Close holds nobody up
// beyond the budgets.
func TestHangingPort(t *testing.T) {
	tests := []struct {
		name string
		hang func(p *fakePort, on chan struct{})
		read error // what a read gives
	}{
		{"read", func(p *fakePort, on chan struct{}) { p.hangRead = on }, ErrTimeout},
		{"write", func(p *fakePort, on chan struct{}) { p.hangWrite = on }, ErrLineLost},
		{"close", func(p *fakePort, on chan struct{}) { p.hangClose = on }, ErrTimeout},
		{"all", func(p *fakePort, on chan struct{}) { p.hangRead, p.hangWrite, p.hangClose = on, on, on }, ErrLineLost},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				release := make(chan struct{})
				p := &fakePort{}
				tt.hang(p, release)
				client := NewClient(openFake(t, p), Config{Framing: RTU, Baud: 19200})
				start := time.Now()
				_, err := client.Read(t.Context(), 1, register(0), time.Second)
				if !errors.Is(err, tt.read) || time.Since(start) > writeSlack+time.Second {
					t.Errorf("read: %v after %v", err, time.Since(start))
				}
				start = time.Now()
				err = client.Close()
				if took := time.Since(start); took > 2*portCloseBudget+closeBudget {
					t.Errorf("close took %v", took)
				}
				if tt.name == "close" && err == nil {
					t.Error("a port left behind was not told of")
				}
				close(release) // the driver lets go at last; nothing may remain
				synctest.Wait()
			})
		})
	}
}

// TestOpenHangs: opening ends with the context, and a port that opens later is
// closed.
func TestOpenHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &fakePort{}
		release := make(chan struct{})
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := openPort(ctx, func() (port, error) { <-release; return p, nil }, 9600)
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Error(err)
		}
		close(release)
		synctest.Wait()
		if !p.closed.Load() {
			t.Error("the port stays open")
		}
	})
}

func TestOpenSerialRefuses(t *testing.T) {
	good := Serial{19200, 8, 'E', 1}
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name, port string
		settings   Serial
		want       error
	}{
		{"no such port", filepath.Join(t.TempDir(), "nothing"), good, ErrPortMissing},
		{"parity", file, Serial{19200, 8, 'X', 1}, ErrSettings},
		{"stop bits", file, Serial{19200, 8, 'N', 3}, ErrSettings},
		{"data bits", file, Serial{19200, 9, 'N', 1}, ErrSettings},
		{"speed", file, Serial{0, 8, 'N', 1}, ErrSettings},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l, err := OpenSerial(t.Context(), tt.port, tt.settings)
			if !errors.Is(err, tt.want) {
				t.Errorf("%v, want %v", err, tt.want)
			}
			if l != nil {
				t.Error("a link came with the error")
			}
		})
	}
	if _, err := OpenSerial(t.Context(), file, good); err == nil {
		t.Error("a plain file was opened as a serial port")
	}
}

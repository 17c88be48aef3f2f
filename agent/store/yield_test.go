package store

import (
	"errors"
	"testing"
	"time"

	"loadscribe/agent/scan"
)

// An agent that starts does not wait for a command that reads: the command
// gives way and says what to do, also in the middle of an export to somebody
// slow.
func TestReaderGivesWayToAnAgent(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(dir, Options{SyncEvery: never, Clock: newTestClock()})
	if err != nil {
		t.Fatal(err)
	}
	g := register(t, s, testGroups())
	all := appendAll(t, s, stream(g, 9, startMS, hoursAndABit))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	reader, err := OpenReadOnly(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	begun, ended := make(chan struct{}), make(chan error, 1)
	wait := make(chan struct{})
	go func() {
		n := 0
		ended <- reader.Scans(ScanQuery{}, func(*scan.Scan) error {
			if n++; n == 1 {
				close(begun)
				<-wait
			}
			return nil
		})
	}()
	<-begun
	start := time.Now()
	s = openTest(t, dir, Options{})
	if took := time.Since(start); took > 3*time.Second {
		t.Errorf("the agent waited %v for the reader", took)
	}
	close(wait)
	if err := <-ended; !errors.Is(err, ErrYielded) {
		t.Errorf("the reader's export ended with %v, want ErrYielded", err)
	}
	if _, err := reader.Events(0, 0, 0); !errors.Is(err, ErrYielded) {
		t.Errorf("reading on: %v, want ErrYielded", err)
	}
	if err := reader.Close(); err != nil {
		t.Error(err)
	}
	more := appendAll(t, s, stream(register(t, s, testGroups()), 3, startMS+4*hourMS, 20))
	wantScans(t, readAll(t, s, ScanQuery{}), append(all, more...))
}

// Commands that look whether an agent runs, over and over, do not keep one
// from starting.
func TestLookingDoesNotKeepAnAgentOut(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(dir, Options{Clock: newTestClock()})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-stop:
				return
			default:
				_ = probeLock(dir) // what it finds is the test's own store now and then
			}
		}
	}()
	for range 20 {
		s, err := Open(dir, Options{Clock: newTestClock()})
		if err != nil {
			t.Errorf("open while others look: %v", err)
			break
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	close(stop)
	<-done
}

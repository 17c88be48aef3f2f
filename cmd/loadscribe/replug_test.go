//go:build linux

package main

import (
	"context"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"
	"time"

	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator/serve"
)

// plugged is a pseudo-terminal with the image behind it.
type plugged struct {
	pty    *serve.Pty
	cancel context.CancelFunc
	done   chan struct{}
}

// plug makes a new pseudo-terminal, under whatever name the system gives, and
// lets link point to it.
func plug(t *testing.T, link string) *plugged {
	t.Helper()
	p, err := serve.OpenPty()
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	if err := os.Symlink(p.Path(), link); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	all := &plugged{p, cancel, make(chan struct{})}
	go func() {
		defer close(all.done)
		_ = serve.ServeRTU(ctx, p, 0, image{}, nil)
	}()
	return all
}

func (p *plugged) unplug(link string) {
	os.Remove(link)
	p.cancel()
	<-p.done
}

// TestReplugged: 20 times the adapter of a polled line vanishes and comes back
// under another name behind the same link. Polling goes on by itself, what is
// missing has the reason that the port was gone, and nothing is leaked.
func TestReplugged(t *testing.T) {
	const rounds = 20
	link := filepath.Join(t.TempDir(), "by-id-adapter")
	site := faultSite(sitefile.ModbusRTU, sitefile.EchoAuto)
	site.Lines[0].Port = link
	site.Lines[0].Timeout = 2 * time.Second // a busy machine is no fault
	site.Devices = site.Devices[:1]
	site.Devices[0].Map.Channels[0].Every = 20 * time.Millisecond
	sink := &judge{outcomes: map[string][]scan.Reason{}}
	poller, err := poll.New(site, sitefile.Groups(site), sink, poll.Options{Random: func() float64 { return 0.99 }})
	if err != nil {
		t.Fatal(err)
	}
	adapter := plug(t, link)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- poller.Run(ctx) }()
	outcomes := func() []scan.Reason {
		sink.mu.Lock()
		defer sink.mu.Unlock()
		return slices.Clone(sink.outcomes["u1"])
	}
	var handles, goroutines int
	for round := range rounds + 1 {
		seen := len(outcomes())
		eventually(t, "values", 10*time.Second, func() bool { return slices.Contains(outcomes()[seen:], scan.Good) })
		open, err := os.ReadDir("/proc/self/fd")
		if err != nil {
			t.Fatal(err)
		}
		if round <= 1 {
			handles, goroutines = max(handles, len(open)), max(goroutines, runtime.NumGoroutine())
		} else if len(open) > handles+2 || runtime.NumGoroutine() > goroutines+4 { // one of each a round would be far above
			t.Fatalf("round %d: %d handles and %d goroutines, %d and %d at first", round, len(open), runtime.NumGoroutine(), handles, goroutines)
		}
		if round == rounds {
			break
		}
		seen = len(outcomes())
		adapter.unplug(link)
		eventually(t, "the port to be gone", 10*time.Second, func() bool { return slices.Contains(outcomes()[seen:], scan.PortGone) })
		adapter = plug(t, link)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	adapter.unplug(link)
	timeouts := 0 // on a busy machine an answer may take longer than its time
	for i, reason := range outcomes() {
		if reason == scan.Timeout {
			timeouts++
		} else if reason != scan.Good && reason != scan.PortGone {
			t.Errorf("scan %d: %v, want values or the reason that the port is gone", i, reason)
		}
	}
	if timeouts > 2 {
		t.Errorf("%d scans ended in silence, not because the port is gone", timeouts)
	}
	if sink.wrong > 0 {
		t.Errorf("%d wrong values", sink.wrong)
	}
	if opened := poller.Status().Lines[0].Opened; opened < rounds+1 {
		t.Errorf("the port was opened %d times, want %d", opened, rounds+1)
	}
}

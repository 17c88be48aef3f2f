package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/configs"
	"loadscribe/dashboard"
	"loadscribe/simulator/serve"
	"loadscribe/testdata/engine"
)

// soakChild is set in the process of its own that soaks, so that no other test
// is in its memory.
const soakChild = "LOADSCRIBE_SOAK_CHILD"

// TestSoak lets an agent record for 30 days: its own poller, clients, store,
// pages and upkeep, on lines that are damaged, cut and silent, with restarts in
// the first half and none in the second, a clock that is set both ways and one
// that is not set at a start, raw readings dropped after five days and backups
// each day. The hours go by as fast as the
// computer allows (testing/synctest); disk and memory are real. Every poll that
// was due is stored or explained, and memory, goroutines, descriptors and disk
// do not grow.
//
// Polls are 20 s apart, so that the month fits into make test; LOADSCRIBE_LONG=1
// makes it 1 s.
func TestSoak(t *testing.T) {
	if os.Getenv(soakChild) == "" && !testing.Short() {
		soakApart(t)
		return
	}
	s := newSoak(t)
	synctest.Test(t, s.live)
	if t.Failed() {
		return
	}
	s.judgePolls(t)
	s.judgeEvents(t)
	s.judgeSent(t)
	if !testing.Short() { // the race detector's memory is not the agent's
		s.judgeGrowth(t)
	}
}

// soakApart runs TestSoak in a process of its own.
func soakApart(t *testing.T) {
	t.Helper()
	t.Parallel()
	cmd := exec.Command(os.Args[0], "-test.run=^TestSoak$", "-test.v", "-test.timeout=3h")
	cmd.Env = append(os.Environ(), soakChild+"=1")
	out, err := cmd.CombinedOutput()
	t.Logf("%s", out)
	if err != nil {
		t.Errorf("the soak: %v", err)
	}
}

// soak is a month of an agent.
type soak struct {
	dir   string
	every time.Duration
	days  int
	plan  *soakPlan

	origin  time.Time // within the bubble
	lines   *soakLines
	account *soakAccount
	samples []soakSample
	ends    []soakEnd // of each run
	idle    []int     // goroutines between runs
	seen    soakSeen
	engine  *engine.Engine // what is recorded is sent on to
	arrived [40]int        // minutes of the meter by day of the wall clock, of which it has a sample
	newest  int64
}

func newSoak(t *testing.T) *soak {
	t.Helper()
	s := &soak{dir: t.TempDir(), every: 20 * time.Second, days: 30}
	if os.Getenv("LOADSCRIBE_LONG") != "" {
		s.every = time.Second
	}
	if testing.Short() {
		s.days = 2
	}
	s.plan = newSoakPlan(s.days)
	s.engine = engine.New(http.StatusNoContent)
	s.engine.Tell = s.arrive
	s.account = &soakAccount{troubles: s.plan.troubles, reasons: map[scan.Reason]uint64{}}
	if err := os.CopyFS(s.dir, configs.Maps); err != nil {
		t.Fatal(err)
	}
	writeFile(t, filepath.Join(s.dir, "maps", "receiver.toml"), soakMap)
	writeFile(t, filepath.Join(s.dir, "site.toml"), fmt.Sprintf(soakSite, s.every))
	return s
}

// soakFaults damages three answers in a thousand in each of these ways.
func soakFaults() serve.Faults {
	f := serve.Faults{Seed: 12, By: 400 * time.Millisecond}
	for _, k := range []serve.Fault{serve.Silence, serve.Late, serve.Torn, serve.Flipped, serve.Refused, serve.Dropped, serve.Lost, serve.WrongUnit} {
		f.Share[k] = 0.003
	}
	return f
}

// live is the month, in a bubble of its own time.
func (s *soak) live(t *testing.T) {
	s.origin = time.Now()
	injector, err := serve.NewInjector(soakFaults())
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(context.Background())
	s.lines = newSoakLines(ctx, newSoakPlant(), injector)
	var acting sync.WaitGroup
	acting.Go(func() { s.plan.act(ctx, s) })
	for _, r := range s.plan.runs {
		sleepUntil(s.origin.Add(r.from))
		s.run(t, r)
		if t.Failed() {
			break
		}
	}
	end()
	acting.Wait()
	s.lines.serving.Wait()
	s.account.injected = injector.Counts()
}

func sleepUntil(at time.Time) { time.Sleep(time.Until(at)) }

// run is one run of the agent.
func (s *soak) run(t *testing.T, r soakRun) {
	site, err := sitefile.Load(filepath.Join(s.dir, "site.toml"), sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	clock := &soakClock{origin: s.origin, began: time.Now(), wrong: &s.plan.wrong}
	a, err := agent.Open(site, agent.Options{Version: "soak", Clock: clock, Dial: s.lines.dial,
		RemoteTransport: func(string) http.RoundTripper { return s.engine },
		Store:           store.Options{SyncEvery: 10 * time.Minute}}) // a sync a second would wait for the disk 2.6 million times
	if err != nil {
		t.Fatal(err)
	}
	server, err := dashboard.New(a, dashboard.Options{Metrics: a, Listen: soakAddress, Secret: a.Secret()})
	if err != nil {
		t.Fatal(errors.Join(err, a.Close()))
	}
	a.OnUpdate(server.Publish)
	s.account.begin(a.Groups(), clock.began.Sub(s.origin).Milliseconds())
	sockets := make(pipes)
	ctx, stop := context.WithCancel(context.Background())
	var running, visiting sync.WaitGroup
	running.Go(func() {
		if err := a.Run(ctx, soakAddress, func(ctx context.Context) error { return server.Run(ctx, sockets) }); err != nil {
			t.Errorf("the agent: %v", err)
		}
	})
	visits, leave := context.WithCancel(context.Background())
	visiting.Go(func() { s.seen.visit(visits, t, sockets) })
	visiting.Go(func() { s.seen.watch(visits, t, sockets) })
	for day := range s.days {
		at := s.origin.Add(time.Duration(day)*24*time.Hour + soakSampleAt)
		if at.After(time.Now()) && at.Before(s.origin.Add(r.to)) {
			sleepUntil(at)
			s.samples = append(s.samples, takeSample(t, day, s.dir))
			_, wallMS := clock.Now() // of those raw readings that are still kept
			if err := a.Scans(wallMS-26*time.Hour.Milliseconds(), 0, nil, s.account.take); err != nil {
				t.Errorf("day %d: %v", day, err)
			}
		}
	}
	sleepUntil(s.origin.Add(r.to))
	leave() // a request would only hold up the stop
	visiting.Wait()
	stop()
	running.Wait()
	synctest.Wait()
	s.idle = append(s.idle, runtime.NumGoroutine())
	s.account.end(t, site.Agent.DataDir, r.to.Milliseconds())
	s.ends = append(s.ends, endOf(t, site.Agent.DataDir, r.to.Milliseconds()))
}

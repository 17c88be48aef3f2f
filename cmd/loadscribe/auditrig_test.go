package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/poll"
	"loadscribe/agent/sitefile"
	"loadscribe/dashboard"
	"loadscribe/simulator"
)

// lockstep is a simulated plant and the clock of the agent beside it, in step: the
// agent's own poller asks the plant's registers, and where it would wait, time
// goes on at once, until the goal of a race. Between races both go as fast as the
// wall's clock does. The wire and the waiting alone are left out: what is asked, how
// it is decoded, stored, folded and served is what runs beside a real plant.
type lockstep struct {
	mu    sync.Mutex // protects what follows
	world *simulator.World
	units map[byte]*simulator.Registers
	base  time.Time     // the clock's zero
	at    time.Time     // the present in a race; after it, what it was at since
	since time.Time     // when at was the present: the wall's clock
	goal  time.Time     // of the race
	race  chan struct{} // closed when a race begins
	over  chan struct{} // closed when it has ended
	each  bool          // in this race each scan is kept before the next is made

	asked  time.Time        // the last scan's; zero: none since the last wait
	made   int              // scans
	newest func() time.Time // of the scans kept
	newer  chan struct{}    // holds a token when some were kept
}

// newLockstep makes a plant that begins at a time in the world's past or present.
func newLockstep(world *simulator.World, from time.Time) *lockstep {
	l := &lockstep{world: world, units: map[byte]*simulator.Registers{}, base: from, at: from, since: time.Now(),
		race: make(chan struct{}), over: make(chan struct{}), newer: make(chan struct{}, 1)}
	for _, r := range world.Devices() {
		l.units[r.Unit()] = r
	}
	world.Advance(from)
	return l
}

// present is called with mu held.
func (l *lockstep) present() time.Time {
	if l.racing() {
		return l.at
	}
	return l.at.Add(time.Since(l.since))
}

func (l *lockstep) racing() bool { return l.at.Before(l.goal) }

// Now implements scan.Clock.
func (l *lockstep) clock() (monoMS, wallMS int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.present()
	return now.Sub(l.base).Milliseconds(), now.UnixMilli()
}

// stepClock is the agent's clock.
type stepClock struct{ *lockstep }

func (c stepClock) Now() (monoMS, wallMS int64) { return c.clock() }

// stepTime is what its poller waits by.
type stepTime struct{ *lockstep }

func (t stepTime) Now() time.Time {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.present()
}

// Wait implements poll.Time: in a race the present becomes what is waited for.
func (t stepTime) Wait(ctx context.Context, until time.Time) bool {
	for ctx.Err() == nil {
		t.settle(ctx)
		t.mu.Lock()
		if t.racing() {
			if !until.After(t.goal) {
				if until.After(t.at) {
					t.at = until
				}
				t.mu.Unlock()
				return true
			}
			t.at, t.since = t.goal, time.Now()
			close(t.over)
		}
		left, race := until.Sub(t.present()), t.race
		t.mu.Unlock()
		if left <= 0 {
			return true
		}
		timer := time.NewTimer(left)
		select {
		case <-timer.C:
		case <-race:
		case <-ctx.Done():
		}
		timer.Stop()
	}
	return false
}

// most is how far the agent may be behind where not each scan is to be kept before
// the next one: half of what its queue holds.
const most = 2 * time.Hour

// settle waits until the agent has kept up.
func (t stepTime) settle(ctx context.Context) {
	t.mu.Lock()
	asked, racing, each := t.asked, t.racing(), t.each
	t.made++
	look := racing && (each || t.made%1000 == 0)
	t.mu.Unlock()
	if !look {
		return
	}
	if !each {
		asked = asked.Add(-most)
	}
	t.hasKept(ctx, asked)
}

// hasKept waits until the agent has kept what was read at a time.
func (l *lockstep) hasKept(ctx context.Context, at time.Time) {
	for l.newest().Before(at) {
		select {
		case <-l.newer:
		case <-time.After(20 * time.Millisecond): // another took the token
		case <-ctx.Done():
			return
		}
	}
}

// stepClient reads the registers. It implements poll.Client.
type stepClient struct{ *lockstep }

func (c stepClient) Read(_ context.Context, unit byte, req frame.ReadRequest, _ time.Duration) ([]byte, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.asked = c.present().Truncate(time.Millisecond)
	c.world.Advance(c.asked)
	registers := c.units[unit]
	if registers == nil {
		return nil, modbus.ErrTimeout
	}
	answer := registers.Answer(req.AppendPDU(nil))
	if answer == nil {
		return nil, modbus.ErrTimeout
	}
	return frame.ParseReadResponse(req, answer)
}

func (stepClient) Err() error   { return nil }
func (stepClient) Close() error { return nil }

// runTo lets time go on at once until a moment; each: for what goes by the machine's
// state, each scan is kept before the next.
func (l *lockstep) runTo(ctx context.Context, goal time.Time, each bool) error {
	l.mu.Lock()
	if !goal.After(l.present()) {
		l.mu.Unlock()
		return nil
	}
	l.at = l.present()
	l.goal, l.each, l.over = goal, each, make(chan struct{})
	over := l.over
	close(l.race)
	l.race = make(chan struct{})
	l.mu.Unlock()
	select {
	case <-over:
		l.mu.Lock()
		asked := l.asked
		l.mu.Unlock()
		l.hasKept(ctx, asked)
		return nil
	case <-ctx.Done():
		return fmt.Errorf("the race to %v: %w", goal, context.Cause(ctx))
	}
}

// rig is an agent with its pages beside a plant in step.
type rig struct {
	*lockstep
	agent *agent.Agent
}

// startRig runs the agent of a site file on an address until the test ends.
func startRig(t *testing.T, l *lockstep, siteFile, address string) (*rig, error) {
	site, err := sitefile.Load(siteFile, sitefile.Options{})
	if err != nil {
		return nil, err
	}
	a, err := agent.Open(site, agent.Options{Version: "test", Clock: stepClock{l}, Time: stepTime{l},
		Dial: func(context.Context, *sitefile.Line) (poll.Client, error) { return stepClient{l}, nil }})
	if err != nil {
		return nil, err
	}
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, errors.Join(err, a.Close())
	}
	server, err := dashboard.New(a, dashboard.Options{Metrics: a, Listen: address, Secret: a.Secret()})
	if err != nil {
		return nil, errors.Join(err, listener.Close(), a.Close())
	}
	l.newest = a.History.Now
	a.OnUpdate(l.heard(server))
	ctx, cancel := context.WithCancel(context.Background())
	var ended sync.WaitGroup
	ended.Go(func() {
		if err := a.Run(ctx, listener.Addr().String(), func(ctx context.Context) error { return server.Run(ctx, listener) }); err != nil {
			t.Errorf("the agent: %v", err)
		}
	})
	t.Cleanup(func() { cancel(); ended.Wait() })
	return &rig{lockstep: l, agent: a}, nil
}

// heard counts what the agent keeps, and passes on what pages are told: of a
// race over days, that figures have changed.
func (l *lockstep) heard(server *dashboard.Server) func(kind string, data any) {
	return func(kind string, data any) {
		if kind == "figures_changed" {
			select {
			case l.newer <- struct{}{}:
			default:
			}
		}
		l.mu.Lock()
		quiet := kind == "scan" && l.racing() && !l.each
		l.mu.Unlock()
		if !quiet {
			server.Publish(kind, data)
		}
	}
}

// runUntil goes on in small races until what happens, at most so long.
func (r *rig) runUntil(ctx context.Context, what func() bool, step, most time.Duration) error {
	for spent := time.Duration(0); !what(); spent += step {
		if spent >= most {
			return fmt.Errorf("it did not come in %v: it is %v there", most, stepTime{r.lockstep}.Now())
		}
		if err := r.runTo(ctx, stepTime{r.lockstep}.Now().Add(step), true); err != nil {
			return err
		}
	}
	return nil
}

// control is what the browser's script steers the plant's time by, and asks what
// really happened:
//
//	POST /to?time=RFC3339[&each=1]   time goes on at once until then
//	POST /for?span=30s               the same, by a span, each scan kept before the next
//	POST /state?is=unloaded&most=1h  until the first machine is in one of these states
//	POST /test?phase=done&most=3h    until the guided test has that phase
//	GET  /truth?from=&to=            what the plant took, made and leaked meanwhile
//
// Each answers the present.
func (r *rig) control() http.Handler {
	mux := http.NewServeMux()
	handle := func(pattern string, f func(q *http.Request) (any, error)) {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, q *http.Request) {
			answer, err := f(q)
			if err != nil {
				http.Error(w, err.Error(), http.StatusBadRequest)
				return
			}
			w.Header().Set("Content-Type", "application/json")
			_ = json.NewEncoder(w).Encode(answer) // the script is gone where this fails
		})
	}
	now := func(err error) (any, error) {
		return map[string]time.Time{"now": stepTime{r.lockstep}.Now().UTC()}, err
	}
	handle("POST /to", func(q *http.Request) (any, error) {
		goal, err := time.Parse(time.RFC3339, q.FormValue("time"))
		if err != nil {
			return nil, err
		}
		return now(r.runTo(q.Context(), goal, q.FormValue("each") != ""))
	})
	handle("POST /for", func(q *http.Request) (any, error) {
		span, err := time.ParseDuration(q.FormValue("span"))
		if err != nil {
			return nil, err
		}
		return now(r.runTo(q.Context(), stepTime{r.lockstep}.Now().Add(span), true))
	})
	handle("POST /state", func(q *http.Request) (any, error) {
		most, err := time.ParseDuration(q.FormValue("most"))
		if err != nil {
			return nil, err
		}
		return now(r.runUntil(q.Context(), func() bool {
			return slices.Contains(strings.Fields(q.FormValue("is")), r.agent.State().Machines[0].State)
		}, 2*time.Second, most))
	})
	handle("POST /test", func(q *http.Request) (any, error) {
		most, err := time.ParseDuration(q.FormValue("most"))
		if err != nil {
			return nil, err
		}
		var why error
		err = r.runUntil(q.Context(), func() bool {
			tests, err := r.agent.Tests()
			if err != nil || len(tests.Running) != 1 {
				why = fmt.Errorf("%d tests run: %w", len(tests.Running), err)
				return true
			}
			if tests.Running[0].Phase == "given_up" {
				why = fmt.Errorf("the test was given up: %s", tests.Running[0].Why)
				return true
			}
			return tests.Running[0].Phase == q.FormValue("phase")
		}, 20*time.Second, most)
		return now(errors.Join(err, why))
	})
	handle("GET /truth", func(q *http.Request) (any, error) { return r.truth(q.FormValue("from"), q.FormValue("to")) })
	return mux
}

// truth is what really happened in a window, in SI units.
func (r *rig) truth(from, to string) (any, error) {
	a, errA := time.Parse(time.RFC3339, from)
	b, errB := time.Parse(time.RFC3339, to)
	if err := errors.Join(errA, errB); err != nil {
		return nil, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	truth := r.world.Truth()
	machine := truth.Machines()[0]
	totals, err := truth.Totals(machine, a, b)
	if err != nil {
		return nil, err
	}
	flow, err := truth.TrueFlowM3S(machine)
	return map[string]any{"machine": totals, "plant": truth.Plant(a, b), "true_flow_m3s": flow}, err
}

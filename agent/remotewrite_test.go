package agent

import (
	"context"
	"encoding/base64"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/alarm"
	"loadscribe/agent/poll"
	"loadscribe/agent/publish/samples"
	"loadscribe/agent/sitefile"
	"loadscribe/testdata/engine"
)

const remoteSite = fieldSite + `
[[remote_write]]
name = "owner"
url = "https://metrics.example/api/v1/write?tenant=hush"
site = "mill"
every = "100ms"

[[alarm]]
name = "not sent"
on = "not delivered"
after = "1s"
`

// TestSendsOn: samples of what was stored go out while the agent records; a receiver
// that refuses who sends is told of on the pages, by an alarm and in the metrics; one
// that hangs costs no reading and no stop; and the next start sends what waited.
func TestSendsOn(t *testing.T) {
	dir := t.TempDir()
	site := loadTestSite(t, dir, remoteSite, fieldMap)
	e := engine.New(http.StatusNoContent)
	r := &registers{}
	open := func() (a *Agent, stop func()) {
		a, err := Open(site, Options{Dial: func(context.Context, *sitefile.Line) (poll.Client, error) { return r, nil },
			RemoteTransport: func(string) http.RoundTripper { return e }})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- a.Run(ctx, "", nil) }()
		return a, func() {
			began := time.Now()
			cancel()
			if err := <-done; err != nil {
				t.Errorf("stop: %v", err)
			}
			if took := time.Since(began); took > StopBudget {
				t.Errorf("the stop took %v", took)
			}
		}
	}
	a, stop := open()
	one := func() RemoteWrite {
		all, err := a.RemoteWrites()
		if err != nil || len(all.Receivers) != 1 {
			t.Fatalf("%+v, %v", all, err)
		}
		return all.Receivers[0]
	}
	eventually(t, "samples to arrive and to be counted", func() bool { return e.Count() > 50 && one().Samples > 0 })
	if st := one(); st.State != remoteSending || st.Samples == 0 || st.To != "https://metrics.example" || st.Site != "mill" || st.Why != "" {
		t.Errorf("%+v", st)
	}

	e.Set(http.StatusUnauthorized)
	eventually(t, "the receiver to be held", func() bool { return one().State == remoteHeld })
	if st := one(); st.Since == 0 || st.Why == "" || st.Mend == "" || strings.Contains(fmt.Sprint(st), "hush") {
		t.Errorf("%+v", st)
	}
	eventually(t, "the alarm", func() bool {
		all, err := a.Alarms()
		return err == nil && len(all.Standing) == 1 && all.Standing[0].Subject == "owner" && strings.HasPrefix(all.Standing[0].Text, "what is sent to owner: ")
	})
	m, err := a.Missed(0, a.Now().UnixMilli()+1)
	if err != nil || len(m.Receivers) != 1 || !slices.ContainsFunc(m.ToDo, func(d MissedToDo) bool { return d.About == "receiver" && strings.Contains(d.What, "owner") }) {
		t.Errorf("receivers %+v, to do %+v, %v", m.Receivers, m.ToDo, err)
	}
	eventually(t, "the metrics to say that scans wait", func() bool { // which they do once more of them are on the disk
		s := a.Metrics().RemoteWrite
		return s != nil && s.Held == 1 && s.Samples > 0 && s.WaitingScans > 0
	})
	stop()

	e.Set(0)
	a, stop = open()
	before := r.readsSince(0)
	eventually(t, "a hanging receiver to be waited for", func() bool { return r.readsSince(before) > 20 })
	stop()
	h, err := OpenHistory(site, "", nil)
	if err != nil {
		t.Fatal(err)
	}
	stopped, err := h.RemoteWrites()
	if err != nil || len(stopped.Receivers) != 1 || stopped.Receivers[0].State != remoteStopped || stopped.Receivers[0].BehindScans < 20 || stopped.Receivers[0].Why == "" {
		t.Errorf("%+v, %v", stopped, err)
	}
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}

	e.Set(http.StatusNoContent)
	a, stop = open()
	eventually(t, "all that waited to be sent", func() bool {
		st := one()
		return st.State == remoteSending && st.BehindScans < 100 && st.Newest != 0 && int64(st.Newest) > a.started.UnixMilli()
	})
	stop()
	compareSent(t, e, site)
}

// compareSent holds what arrived to what the record gives when it is read at once.
func compareSent(t *testing.T, e *engine.Engine, site *sitefile.Site) {
	t.Helper()
	h, err := OpenHistory(site, "", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	source := samples.New(h.store, samples.Options{Site: site, Groups: sitefile.Groups(site), Label: "mill", Every: 100 * time.Millisecond, History: 1000 * time.Hour})
	begin, _, err := source.Next(t.Context(), nil, nil, math.MaxInt)
	if err != nil {
		t.Fatal(err)
	}
	b, _, err := source.Next(t.Context(), begin.Next, nil, math.MaxInt)
	if err != nil {
		t.Fatal(err)
	}
	if wrong := e.Wrong(); len(wrong) > 0 {
		t.Errorf("what arrived: %q", wrong)
	}
	n := 0
	for _, s := range b.Series {
		key := ""
		for _, l := range s.Labels {
			key += l.Name + " " + l.Value + " "
		}
		have := e.Samples(key)
		var lastMS int64
		for at := range have {
			lastMS = max(lastMS, at)
		}
		for _, x := range s.Samples {
			if v, ok := have[x.TimeMS]; x.TimeMS <= lastMS && (!ok || math.Float64bits(v) != math.Float64bits(x.Value)) {
				t.Fatalf("%s at %d: %v, arrived %v (%v)", key, x.TimeMS, x.Value, v, ok)
			}
			if n++; x.TimeMS <= lastMS {
				delete(have, x.TimeMS)
			}
		}
		if len(have) > 0 {
			t.Errorf("%s: %d samples arrived that the record does not give", key, len(have))
		}
	}
	if n < 100 {
		t.Errorf("only %d samples in the record", n)
	}
}

// TestUndeliveredIsSeen: what fails to get through is bad, whoever it is for; what gets
// through is fine; and what the site file has not is not seen.
func TestUndeliveredIsSeen(t *testing.T) {
	dir := t.TempDir()
	other := &receiver{}
	other.setDown(true)
	server := httptest.NewServer(other)
	defer server.Close()
	secret := "whsec_" + base64.StdEncoding.EncodeToString(make([]byte, 32)) + "\n"
	if err := os.WriteFile(filepath.Join(dir, "dispatch"), []byte(secret), 0o600); err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(nobodyListens, "http://127.0.0.1:9/", server.URL, 1) + scanAlarms + "\n[[remote_write]]\nname = \"owner\"\nurl = \"https://metrics.example/\"\n"
	r := openAlarmRig(t, dir, text, &manualClock{mono: 1000, wall: testStartMS}, Options{})
	ctx, cancel := context.WithCancel(t.Context())
	stops := []func(){start(ctx, make(chan error, 2), r.a.sendAlarms), start(ctx, make(chan error, 2), r.a.messages.Run)}
	defer func() { stops[0](); stops[1](); cancel(); r.keep(); _ = r.a.Close() }()
	at := alarm.Sight{MonoMS: 5, WallMS: 6}
	if s := delivery(at, r.a.undelivered(), "dispatch"); !s.Seen || s.Verdict != alarm.Fine {
		t.Errorf("before anything was sent: %+v", s)
	}
	r.reading(80, 0, 700)
	for range 5 {
		r.reading(107, 0, 700) // raised
	}
	eventually(t, "the webhook to fail", func() bool { return r.alarms().Targets[0].FailingSince != 0 })
	all := r.a.undelivered()
	if s := delivery(at, all, "dispatch"); !s.Seen || s.Verdict != alarm.Bad || !strings.Contains(s.Why, "503") {
		t.Errorf("a webhook that is down: %+v", s)
	}
	if s := delivery(at, all, "owner"); !s.Seen || s.Verdict != alarm.Fine {
		t.Errorf("a receiver to whom nothing was sent yet: %+v", s)
	}
	if s := delivery(at, all, "nobody"); s.Seen || s.Why == "" {
		t.Errorf("nobody: %+v", s)
	}
}

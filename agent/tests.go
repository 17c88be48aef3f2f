package agent

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"sync"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/guided"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// tests holds the guided tests: at most one that runs for each system, and how
// the last one ended until another begins. They live in memory: a restart loses
// the one that runs, never a result.
type tests struct {
	mu       sync.Mutex                 // protects sessions with what they hold, told and unfiled
	sessions map[string]*guided.Session // by system
	told     map[string]TestStatus      // by system, as it was told last
	unfiled  []store.Event              // results that found no room yet
}

// ErrNoTest is wrapped where no guided test runs.
var ErrNoTest = errors.New("no guided test runs")

// TestAsk begins a guided test. Zero quantities are taken from the site file.
type TestAsk struct {
	Test    string `json:"test"`
	Machine string `json:"machine,omitempty"`
	System  string `json:"system,omitempty"`
	Who     string `json:"who"`
	// Confirmed says that the cautions were read, and those told who use air.
	Confirmed   bool    `json:"confirmed"`
	VolumeM3    float64 `json:"volume_m3,omitempty"`
	VolumeShare float64 `json:"volume_share,omitempty"`
	PackageM3   float64 `json:"package_m3,omitempty"`
	Rises       int     `json:"rises,omitempty"`
}

// Check tells whether a site allows the test. An error of type *FieldError names
// what is wrong.
func (q TestAsk) Check(site *sitefile.Site) error {
	_, err := q.plan(site, sitefile.Groups(site))
	return err
}

func (q TestAsk) plan(site *sitefile.Site, groups []*scan.Group) (*guided.Plan, error) {
	p, err := guided.NewPlan(site, groups, guided.Ask{Test: q.Test, Machine: q.Machine, System: q.System, Who: q.Who,
		Confirmed: q.Confirmed, VolumeM3: q.VolumeM3, VolumeShare: q.VolumeShare, PackageM3: q.PackageM3, Rises: q.Rises})
	var w *guided.Wrong
	switch {
	case errors.As(err, &w):
		return nil, &FieldError{w.Field, w.Message}
	case errors.Is(err, guided.ErrNone):
		return nil, &FieldError{"test", err.Error()}
	}
	return p, err
}

// TestStatus is how a guided test stands.
type TestStatus struct {
	Test        string `json:"test"`
	System      string `json:"system"`
	Machine     string `json:"machine"`
	Who         string `json:"who"`
	Phase       string `json:"phase"`
	Instruction string `json:"instruction"`
	Done        int    `json:"done"`
	Needed      int    `json:"needed"`
	Needs       string `json:"needs"`
	SoFar       string `json:"so_far"`
	Detail      string `json:"detail"`
	Why         string `json:"why"`
	Started     Stamp  `json:"started"`
	Seen        Stamp  `json:"seen"`
	Tap         string `json:"tap"`
	Channel     string `json:"channel"`
}

func statusOf(r guided.Report) TestStatus {
	return TestStatus{Test: r.Test, System: r.System, Machine: r.Machine, Who: r.Who, Phase: string(r.Phase), Instruction: r.Instruction,
		Done: r.Done, Needed: r.Needed, Needs: r.Needs, SoFar: r.SoFar, Detail: r.Detail, Why: r.Why,
		Started: Stamp(r.StartedMS), Seen: Stamp(r.NowMS), Tap: r.Tap, Channel: r.Channel}
}

// TestRecord is the result of a guided test. Uncertainties are of 95 %.
type TestRecord struct {
	Seq          uint64   `json:"seq"`
	Test         string   `json:"test"`
	System       string   `json:"system"`
	Machine      string   `json:"machine"`
	Who          string   `json:"who"`
	From         Stamp    `json:"from"`
	To           Stamp    `json:"to"`
	FlowM3S      *float64 `json:"flow_m3s,omitempty"`
	FlowU        *float64 `json:"flow_uncertainty_m3s,omitempty"`
	Share        *float64 `json:"share,omitempty"`
	ShareU       *float64 `json:"share_uncertainty,omitempty"`
	PressurePa   float64  `json:"pressure_pa"`
	VolumeM3     float64  `json:"volume_m3"`
	Cycles       int      `json:"cycles"`
	Method       string   `json:"method"`
	Text         string   `json:"text"`
	WithdrawnBy  uint64   `json:"withdrawn_by,omitempty"`
	WithdrawnWhy string   `json:"withdrawn_why,omitempty"`
}

// TestCautions are what must be read before a test begins.
type TestCautions struct {
	Leak   []string `json:"leak"`
	PumpUp []string `json:"pump_up"`
}

// Tests are the guided tests of a site.
type Tests struct {
	// Running are those of a running agent, and those that have ended since it
	// started where no other has begun on their system.
	Running  []TestStatus `json:"running"`
	Results  []TestRecord `json:"results"` // the latest first
	Cautions TestCautions `json:"cautions"`
}

// Of are those of one test.
func (c *TestCautions) Of(test string) []string {
	if test == guided.Leak {
		return c.Leak
	}
	return c.PumpUp
}

// leakCautions say first, in the hours of a shift, that a leak test cannot tell leaks
// from users.
func leakCautions(site *sitefile.Site, now time.Time) []string {
	all := guided.Cautions(guided.Leak)
	at := now.In(site.Location)
	if off := site.OffShiftOn(at); len(site.Shifts) == 0 || off[at.Hour()*60+at.Minute()] {
		return all
	}
	return append([]string{"By the site file's shifts people work at this hour (" + at.Format("Mon 15:04") + "): what they use would be filed as leak. Do it after hours."}, all...)
}

// Tests lists what was found; none runs on a stopped store.
func (h *History) Tests() (Tests, error) {
	t := Tests{Running: []TestStatus{}, Results: []TestRecord{},
		Cautions: TestCautions{Leak: leakCautions(h.site, h.Now()), PumpUp: guided.Cautions(guided.PumpUp)}}
	events, err := h.eventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == analysis.KindTest })
	if err != nil {
		return t, fmt.Errorf("read the guided tests: %w", err)
	}
	by := map[uint64]*store.Event{}
	for i := range events {
		if seq := analysis.Withdrawn(&events[i]); seq != 0 {
			by[seq] = &events[i]
		}
	}
	for i := range events {
		r, err := analysis.TestResultOf(&events[i])
		if err != nil {
			continue // a withdrawal, or of a later version
		}
		rec := recordOf(&r, events[i].Text)
		if w := by[r.Seq]; w != nil {
			rec.WithdrawnBy, rec.WithdrawnWhy = w.Seq, w.Text
		}
		t.Results = append(t.Results, rec)
	}
	slices.Reverse(t.Results)
	return t, nil
}

func recordOf(r *analysis.TestResult, text string) TestRecord {
	rec := TestRecord{Seq: r.Seq, Test: r.Test, System: r.System, Machine: r.Machine, Who: r.Who, From: Stamp(r.FromMS), To: Stamp(r.ToMS),
		PressurePa: r.PressurePa, VolumeM3: r.VolumeM3, Cycles: r.Cycles, Method: r.Method, Text: text}
	if v, u := r.FlowM3S.V, 2*r.FlowM3S.U(); v > 0 {
		rec.FlowM3S, rec.FlowU = &v, &u
	}
	if v, u := r.Share.V, 2*r.Share.U(); v > 0 {
		rec.Share, rec.ShareU = &v, &u
	}
	return rec
}

// markWithdrawn says of each test's result that was taken back which event did
// so.
func (h *History) markWithdrawn(page []Event) error {
	if !slices.ContainsFunc(page, func(e Event) bool { return e.Kind == analysis.KindTest }) {
		return nil
	}
	gone, err := h.store.EventsWhere(0, 0, 0, func(e *store.Event) bool { return analysis.Withdrawn(e) != 0 })
	for i := range gone {
		for k := range page {
			if e := &page[k]; e.Seq == analysis.Withdrawn(&gone[i]) && e.Kind == analysis.KindTest {
				e.Data["withdrawn_by"] = strconv.FormatUint(gone[i].Seq, 10)
			}
		}
	}
	return err
}

// Tests lists what was found and what runs.
func (a *Agent) Tests() (Tests, error) {
	t, err := a.History.Tests()
	t.Cautions.Leak = leakCautions(a.site, a.end())
	a.tests.mu.Lock()
	defer a.tests.mu.Unlock()
	for i := range a.site.Systems {
		if s := a.tests.sessions[a.site.Systems[i].Name]; s != nil {
			t.Running = append(t.Running, statusOf(s.Report()))
		}
	}
	return t, err
}

// StartTest begins a guided test. An error of type *FieldError says what is
// wrong with what was asked for.
func (a *Agent) StartTest(q TestAsk) (TestStatus, error) {
	p, err := q.plan(a.site, a.groups)
	if err != nil {
		return TestStatus{}, err
	}
	a.tests.mu.Lock()
	defer a.tests.mu.Unlock()
	if old := a.tests.sessions[p.System]; old != nil && !old.Report().Phase.Over() {
		r := old.Report()
		return TestStatus{}, wrongField("system", "a %s test by %s runs on system %s: wait for it, or cancel it", r.Test, r.Who, r.System)
	}
	if a.tests.sessions == nil {
		a.tests.sessions = map[string]*guided.Session{}
	}
	s := guided.New(p)
	a.tests.sessions[p.System] = s
	status := statusOf(s.Report())
	a.tell("test", status)
	return status, nil
}

// CancelTest breaks off the guided test that runs on a system; empty where the
// site has one. The error wraps ErrNoTest where there is none.
func (a *Agent) CancelTest(system string) (TestStatus, error) {
	if system == "" && len(a.site.Systems) == 1 {
		system = a.site.Systems[0].Name
	}
	a.tests.mu.Lock()
	defer a.tests.mu.Unlock()
	s := a.tests.sessions[system]
	if s == nil || s.Report().Phase.Over() {
		return TestStatus{}, fmt.Errorf("%w on system %q", ErrNoTest, system)
	}
	s.Cancel("broken off by a person")
	status := statusOf(s.Report())
	a.tell("test", status)
	return status, nil
}

// TestWithdrawal takes the result of a guided test back: it stays, and counts no
// longer.
type TestWithdrawal struct {
	Seq uint64 `json:"seq"`
	Who string `json:"who"`
	Why string `json:"why"`
}

// WithdrawTest keeps a withdrawal; an error of type *FieldError says what is
// wrong with it.
func (a *Agent) WithdrawTest(w TestWithdrawal) (Event, error) {
	who, err := noteText("who", w.Who, maxNoteAuthor)
	if err != nil {
		return Event{}, err
	}
	why, err := noteText("why", w.Why, maxNoteText)
	if err != nil {
		return Event{}, err
	}
	switch {
	case who == "":
		return Event{}, wrongField("who", "say who takes it back")
	case why == "":
		return Event{}, wrongField("why", "say why: it stands beside the result")
	}
	all, err := a.History.Tests()
	if err != nil {
		return Event{}, err
	}
	i := slices.IndexFunc(all.Results, func(r TestRecord) bool { return r.Seq == w.Seq })
	if i < 0 {
		return Event{}, wrongField("seq", "there is no guided test of number %d: loadscribe test list shows the numbers", w.Seq)
	}
	r := &all.Results[i]
	if r.WithdrawnBy != 0 {
		return Event{}, wrongField("seq", "test %d was taken back already, by event %d", w.Seq, r.WithdrawnBy)
	}
	subject := r.System
	if r.Test == guided.PumpUp {
		subject = r.Machine
	}
	_, wallMS := a.clock.Now()
	kept, err := a.store.AppendEvent(store.Event{WallMS: wallMS, Kind: analysis.KindTest, Subject: subject, Text: why,
		Data: map[string]string{"withdraws": strconv.FormatUint(w.Seq, 10), "who": who, "test": r.Test}})
	if err != nil {
		return Event{}, fmt.Errorf("keep the withdrawal: %w", err)
	}
	return a.keptSafe(kept), nil
}

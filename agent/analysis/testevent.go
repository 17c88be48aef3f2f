package analysis

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/gum"
	"loadscribe/agent/store"
)

// KindTest is the kind of event that holds a guided test's result, or takes one
// back.
const KindTest = "test"

// The guided tests.
const (
	TestLeak   = "leak"    // how much air flows while nobody uses any
	TestPumpUp = "pump-up" // a machine's delivered flow, from the rise of a known volume
)

// TestResult is what a guided test found, as its event keeps it. Numbers that
// are not known are 0.
type TestResult struct {
	Seq          uint64 // the event's number
	Test         string // TestLeak or TestPumpUp
	Who          string
	FromMS, ToMS int64  // wall time
	System       string // subject of a leak test
	Machine      string // subject of a pump-up test; in a leak test the one that loaded
	// FlowM3S is free air at the inlet. Pump-up: the machine's at full load,
	// near PressurePa. Leak: by the fall of pressure in a known volume, at
	// PressurePa; V 0 where the volume is not known.
	FlowM3S gum.Value
	// Share is a leak test's part of the time in which Machine delivered, of
	// whole load cycles: times its full-load flow it is the leak. V 0 where the
	// machine did not load.
	Share      gum.Value
	PressurePa float64 // gauge, mean
	InletPa    float64 // absolute
	VolumeM3   float64
	VolumeU    float64 // standard
	Cycles     int     // rises of a pump-up, whole load cycles of a leak test
	Method     string
}

// ErrTest is wrapped by errors about an event that holds no test's result.
var ErrTest = errors.New("no test's result")

// Subject is what the test's event is about.
func (r *TestResult) Subject() string {
	if r.Test == TestPumpUp {
		return r.Machine
	}
	return r.System
}

// Data is the result as its event keeps it, SI.
func (r *TestResult) Data() map[string]string {
	d := map[string]string{"test": r.Test, "who": r.Who, "system": r.System, "machine": r.Machine, "method": r.Method,
		"from": testTime(r.FromMS), "to": testTime(r.ToMS), "cycles": strconv.Itoa(r.Cycles)}
	number := func(key string, v float64) {
		if v != 0 {
			d[key] = strconv.FormatFloat(v, 'g', -1, 64)
		}
	}
	value := func(key string, v gum.Value) {
		number(key, v.V)
		number("u_"+key, v.U())
		if parts := testParts(v); parts != "" {
			d[key+"_parts"] = parts
		}
	}
	value("flow_m3s", r.FlowM3S)
	value("share", r.Share)
	number("pressure_pa", r.PressurePa)
	number("inlet_pa", r.InletPa)
	number("volume_m3", r.VolumeM3)
	number("volume_u_m3", r.VolumeU)
	for key, v := range d {
		if v == "" {
			delete(d, key)
		}
	}
	return d
}

// TestResultOf reads what Data wrote. The error wraps ErrTest.
func TestResultOf(e *store.Event) (TestResult, error) {
	p := testReader{data: e.Data}
	r := TestResult{Seq: e.Seq, Test: e.Data["test"], Who: e.Data["who"], System: e.Data["system"], Machine: e.Data["machine"],
		Method: e.Data["method"], FromMS: p.time("from"), ToMS: p.time("to"), FlowM3S: p.value("flow_m3s"), Share: p.value("share"),
		PressurePa: p.number("pressure_pa"), InletPa: p.number("inlet_pa"), VolumeM3: p.number("volume_m3"), VolumeU: p.number("volume_u_m3")}
	r.Cycles = int(p.number("cycles"))
	switch {
	case e.Kind != KindTest || r.Test != TestLeak && r.Test != TestPumpUp:
		return r, fmt.Errorf("%w: %s event %d is of test %q", ErrTest, e.Kind, e.Seq, r.Test)
	case p.wrong != "":
		return r, fmt.Errorf("%w: test event %d: %s", ErrTest, e.Seq, p.wrong)
	case r.Subject() != e.Subject || r.Subject() == "":
		return r, fmt.Errorf("%w: test event %d is about %q, not %q", ErrTest, e.Seq, e.Subject, r.Subject())
	case r.FlowM3S.V <= 0 && (r.Test == TestPumpUp || r.Share.V <= 0):
		return r, fmt.Errorf("%w: test event %d has no flow", ErrTest, e.Seq)
	}
	return r, nil
}

// Withdrawn is the number of the event that e takes back; 0: none.
func Withdrawn(e *store.Event) uint64 {
	if e.Kind != KindTest {
		return 0
	}
	seq, err := strconv.ParseUint(e.Data["withdraws"], 10, 64)
	if err != nil {
		return 0
	}
	return seq
}

// testTime writes a moment; one that is not known is empty.
func testTime(ms int64) string {
	if ms == 0 {
		return ""
	}
	return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.000Z07:00")
}

// testParts writes what each input brings, one a line: so a figure that rests on
// the same input later knows that it does.
func testParts(v gum.Value) string {
	var lines []string
	for _, s := range v.Shares() {
		lines = append(lines, strconv.FormatFloat(v.Part(s.Input), 'g', -1, 64)+" "+s.Input)
	}
	return strings.Join(lines, "\n")
}

// testReader reads an event's details and keeps the first that is wrong.
type testReader struct {
	data  map[string]string
	wrong string
}

func (p *testReader) number(key string) float64 {
	text := p.data[key]
	if text == "" {
		return 0
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		p.wrong = cmp.Or(p.wrong, fmt.Sprintf("%s %q is no number", key, text))
		return 0
	}
	return v
}

func (p *testReader) time(key string) int64 {
	t, err := time.Parse(time.RFC3339Nano, p.data[key])
	if err != nil {
		p.wrong = cmp.Or(p.wrong, fmt.Sprintf("%s %q is no time", key, p.data[key]))
		return 0
	}
	return t.UnixMilli()
}

func (p *testReader) value(key string) gum.Value {
	v := gum.Exact(p.number(key))
	for line := range strings.Lines(p.data[key+"_parts"]) {
		number, input, ok := strings.Cut(strings.TrimSuffix(line, "\n"), " ")
		u, err := strconv.ParseFloat(number, 64)
		if err != nil || !ok || input == "" || math.IsNaN(u) || math.IsInf(u, 0) {
			p.wrong = cmp.Or(p.wrong, fmt.Sprintf("%s_parts: %q is no input with its uncertainty", key, line))
			return v
		}
		v = v.Plus(gum.New(0, u, input))
	}
	return v
}

// tests are the results of all guided tests that stand, by subject, each's in the
// order of their times.
type tests struct {
	pumpUps map[string][]TestResult // by machine
	leaks   map[string][]TestResult // by system
}

// testsOf reads them. Those that were taken back, and those that hold no result,
// are passed over.
func testsOf(src Source) (*tests, error) {
	t := &tests{pumpUps: map[string][]TestResult{}, leaks: map[string][]TestResult{}}
	events, ok := src.(EventSource)
	if !ok {
		return t, nil
	}
	list, err := events.EventsWhere(0, 0, eventLimit, func(e *store.Event) bool { return e.Kind == KindTest })
	if err != nil {
		return nil, fmt.Errorf("read the guided tests: %w", err)
	}
	gone := map[uint64]bool{}
	for i := range list {
		if seq := Withdrawn(&list[i]); seq != 0 {
			gone[seq] = true
		}
	}
	for i := range list {
		r, err := TestResultOf(&list[i])
		if err != nil || gone[r.Seq] {
			continue
		}
		into := t.leaks
		if r.Test == TestPumpUp {
			into = t.pumpUps
		}
		into[r.Subject()] = append(into[r.Subject()], r)
	}
	for _, all := range []map[string][]TestResult{t.pumpUps, t.leaks} {
		for _, of := range all {
			slices.SortStableFunc(of, func(a, b TestResult) int { return cmp.Compare(a.ToMS, b.ToMS) })
		}
	}
	return t, nil
}

// pumpUp is a machine's last pump-up test that ended before the moment.
func (t *tests) pumpUp(machine string, beforeMS int64) (TestResult, bool) {
	return lastTest(t.pumpUps[machine], beforeMS)
}

// leak is a system's last leak test that ended before the moment.
func (t *tests) leak(system string, beforeMS int64) (TestResult, bool) {
	return lastTest(t.leaks[system], beforeMS)
}

func lastTest(all []TestResult, beforeMS int64) (TestResult, bool) {
	for i := len(all) - 1; i >= 0; i-- {
		if all[i].ToMS < beforeMS {
			return all[i], true
		}
	}
	return TestResult{}, false
}

package simulator

import (
	"bytes"
	"encoding/json"
	"testing"
	"time"
)

// record is the bytes that a poller gets once a second from a world that is
// advanced and looked at in pieces.
func record(t *testing.T, w *World, length, piece time.Duration) []byte {
	t.Helper()
	var all []byte
	controller, meter := devices(t, w)
	for at := w.Now(); at.Before(w.start.Add(length)); {
		at = at.Add(time.Second)
		for w.Now().Add(piece).Before(at) {
			w.Advance(w.Now().Add(piece))
			read(t, controller, 4, 0, 3)
			read(t, meter, 4, 8, 2)
		}
		w.Advance(at)
		all = append(all, read(t, controller, 4, 0, 8)...)
		all = append(all, read(t, controller, 3, 20, 1)...)
		all = append(all, read(t, meter, 4, 0, 14)...)
		all = append(all, read(t, meter, 4, 16, 5)...)
	}
	return all
}

func TestRunsRepeatExactly(t *testing.T) {
	const length = 90 * time.Minute
	at := 6*time.Hour + 50*time.Minute
	first := record(t, world(t, at, nil), length, time.Second)
	if again := record(t, world(t, at, nil), length, time.Second); !bytes.Equal(first, again) {
		t.Error("the same seed gave other bytes")
	}
	if pieces := record(t, world(t, at, nil), length, 150*time.Millisecond); !bytes.Equal(first, pieces) {
		t.Error("advancing and reading in small pieces changed the bytes")
	}
	if other := record(t, world(t, at, func(s *Scenario) { s.Seed++ }), length, time.Second); bytes.Equal(first, other) {
		t.Error("another seed gave the same bytes")
	}
}

// A step and a read allocate nothing (a log entry now and then does).
func TestStepsDoNotAllocate(t *testing.T) {
	w := world(t, 8*time.Hour, nil)
	w.Advance(w.Now().Add(time.Minute))
	perSecond := testing.AllocsPerRun(600, func() { w.Advance(w.Now().Add(time.Second)) })
	if perSecond >= 1 {
		t.Errorf("%.1f allocations in 20 steps, want none but the log's", perSecond)
	}
}

func TestTruthAgreesWithItself(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	w := world(t, 5*time.Hour, nil)
	w.Advance(w.Now().Add(15 * time.Hour))
	truth := w.Truth()
	from, to := truth.Span()
	whole, err := truth.Totals("comp1", from, to)
	if err != nil {
		t.Fatal(err)
	}
	var states time.Duration
	for _, d := range whole.States {
		states += d
	}
	if states != to.Sub(from) {
		t.Errorf("states last %v, the span %v", states, to.Sub(from))
	}
	c := w.machines[0]
	if whole.Starts != int(c.count.starts) || whole.LoadCycles != int(c.count.loadCycles) || whole.EnergyJ != c.count.EnergyJ {
		t.Errorf("log: %d starts, %d cycles, %g J; counters: %d, %d, %g", whole.Starts, whole.LoadCycles, whole.EnergyJ, c.count.starts, c.count.loadCycles, c.count.EnergyJ)
	}
	// Split anywhere, the parts add up.
	mid := from.Add(7*time.Hour + 1234*time.Millisecond)
	a, errA := truth.Totals("comp1", from, mid)
	b, errB := truth.Totals("comp1", mid, to)
	if errA != nil || errB != nil {
		t.Fatal(errA, errB)
	}
	if a.Starts+b.Starts != whole.Starts || a.LoadCycles+b.LoadCycles != whole.LoadCycles ||
		a.States[Loaded]+b.States[Loaded] != whole.States[Loaded] || !close9(a.EnergyJ+b.EnergyJ, whole.EnergyJ) {
		t.Errorf("parts %+v and %+v do not add up to %+v", a, b, whole)
	}
	list, err := truth.Transitions("comp1", from, to)
	if err != nil {
		t.Fatal(err)
	}
	for i, tr := range list {
		if got, err := truth.StateAt("comp1", tr.Time); err != nil || got != tr.State {
			t.Errorf("transition %d: state %v at %v (%v), want %v", i, got, tr.Time, err, tr.State)
		}
		if i > 0 && (tr.State == list[i-1].State || !tr.Time.After(list[i-1].Time)) {
			t.Errorf("transition %d: %+v after %+v", i, tr, list[i-1])
		}
	}
	if _, err := truth.Totals("comp9", from, to); err == nil {
		t.Error("totals of a machine that is not there")
	}
}

func close9(a, b float64) bool { return a-b < 1e-9*a && b-a < 1e-9*a }

func TestTruthJSON(t *testing.T) {
	w := world(t, 6*time.Hour, nil)
	w.Advance(w.Now().Add(3 * time.Hour))
	var out bytes.Buffer
	if err := w.Truth().WriteJSON(&out); err != nil {
		t.Fatal(err)
	}
	var file struct {
		Scenario string
		From, To time.Time
		Machines []struct {
			Starts      int
			States      map[string]float64 `json:"states_s"`
			Transitions []struct {
				Time  time.Time
				State string
			}
		}
	}
	if err := json.Unmarshal(out.Bytes(), &file); err != nil {
		t.Fatalf("%v in %s", err, out.Bytes())
	}
	m := file.Machines[0]
	if file.Scenario != "joinery" || file.To.Sub(file.From) != 3*time.Hour || m.Starts < 1 ||
		m.Transitions[0].State != "off" || m.Transitions[1].State != "starting" || m.States["loaded"] < 60 {
		t.Errorf("truth file: %+v", file)
	}
}

// The joinery's week is worth watching: these are aims for a demonstration, not
// facts of the trade.
func TestJoineryWeek(t *testing.T) {
	w := joineryDays(t)
	truth := w.Truth()
	for day := range 7 {
		from := monday(w.scenario).AddDate(0, 0, day)
		sum, err := truth.Totals("comp1", from, from.AddDate(0, 0, 1))
		if err != nil {
			t.Fatal(err)
		}
		if day >= 5 {
			if sum.Starts != 0 || sum.Running() != 0 {
				t.Errorf("%s: ran %v", from.Weekday(), sum.Running())
			}
			continue
		}
		shift, err := truth.Totals("comp1", from.Add(7*time.Hour), from.Add(16*time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		noon := truth.Plant(from.Add(12*time.Hour), from.Add(12*time.Hour+30*time.Minute))
		morning := truth.Plant(from.Add(10*time.Hour), from.Add(10*time.Hour+30*time.Minute))
		duty := shift.States[Loaded].Seconds() / shift.Running().Seconds()
		cycle := shift.Running().Minutes() / float64(shift.LoadCycles)
		t.Logf("%s: duty %.3f, %d starts, %d load cycles (%.1f min each), %.0f kWh, %.0f m³ delivered, %.0f leaked",
			from.Weekday(), duty, sum.Starts, sum.LoadCycles, cycle, sum.EnergyJ/3.6e6, sum.DeliveredM3, truth.Plant(from, from.AddDate(0, 0, 1)).LeakedM3)
		if duty < 0.55 || duty > 0.75 {
			t.Errorf("%s: duty cycle in the shift %.3f, want 0.55 to 0.75", from.Weekday(), duty)
		}
		if cycle < 1 || cycle > 4 {
			t.Errorf("%s: a load cycle takes %.1f minutes, want 1 to 4", from.Weekday(), cycle)
		}
		if sum.Starts < 2 || sum.Starts > 10 {
			t.Errorf("%s: %d starts, want a few", from.Weekday(), sum.Starts)
		}
		if noon.UsedM3 > 0.1*morning.UsedM3 {
			t.Errorf("%s: %.0f m³ used at noon, %.0f in the morning: no quiet break", from.Weekday(), noon.UsedM3, morning.UsedM3)
		}
	}
}

func BenchmarkWeek(b *testing.B) {
	for range b.N {
		w := world(b, 0, nil)
		w.Advance(w.Now().Add(7 * 24 * time.Hour))
	}
}

func BenchmarkAnswer(b *testing.B) {
	w := world(b, 8*time.Hour, nil)
	controller, err := w.Device("controller")
	if err != nil {
		b.Fatal(err)
	}
	request := []byte{4, 0, 0, 0, 8}
	for range b.N {
		controller.current = false // as after a refresh
		controller.Answer(request)
	}
}

package simulator

import (
	"bytes"
	"crypto/sha256"
	"math"
	"testing"
	"time"
)

// sample is a machine and the receiver at a whole second.
type sample struct {
	state                    State
	command, bit             bool // of the controls, and the loaded bit of its controller
	powerW, sumpPa, systemPa float64
	airEndK, roomK           float64
	outM3S, share            float64
	fan                      bool
}

// staged is a scenario after its whole length, with samples of every machine.
type staged struct {
	w          *World
	start, end time.Time
	samples    [][]sample // by machine, a second each
}

// stageScenario runs a scenario from a Monday's midnight, as a record of it
// would; the plant has run for twelve hours by then. seed 0: its own.
func stageScenario(t testing.TB, name string, seed uint64, length time.Duration) *staged {
	t.Helper()
	s, err := LoadScenario(name)
	if err != nil {
		t.Fatal(err)
	}
	if seed != 0 {
		s.Seed = seed
	}
	if length == 0 {
		length = s.Length
	}
	g := &staged{start: monday(s), end: monday(s).Add(length)}
	if g.w, err = New(s, g.start.Add(-12*time.Hour)); err != nil {
		t.Fatal(err)
	}
	g.samples = make([][]sample, len(g.w.machines))
	for i := range g.samples {
		g.samples[i] = make([]sample, 0, int(length/time.Second))
	}
	var snap snapshot
	for at := g.start; at.Before(g.end); at = at.Add(time.Second) {
		g.w.Advance(at)
		for i, c := range g.w.machines {
			g.w.look(&snap, i)
			g.samples[i] = append(g.samples[i], sample{state: c.state, command: c.loadCommand,
				powerW: c.activeW, sumpPa: snap.sumpPa, systemPa: snap.receiverPa, airEndK: snap.airEndK, roomK: snap.ambientK,
				outM3S: c.outM3S, share: c.share(), fan: c.state.Running() && !c.fanStopped,
				bit: c.state.Running() && c.loadCommand})
		}
	}
	g.w.Advance(g.end)
	return g
}

// at is the index of the sample at a moment of the record's first week.
func (g *staged) at(t testing.TB, moment string) int {
	t.Helper()
	m, err := ParseMoment(moment)
	if err != nil {
		t.Fatal(err)
	}
	days := (int(m)/86400 + 6) % 7 // since Monday
	return days*86400 + int(m)%86400
}

// time is when a sample was taken.
func (g *staged) time(i int) time.Time { return g.start.Add(time.Duration(i) * time.Second) }

// whole sums machine i over the record.
func (g *staged) whole(t testing.TB, i int) Totals {
	t.Helper()
	sum, err := g.w.truth.Totals(g.w.machines[i].spec.Name, g.start, g.end)
	if err != nil {
		t.Fatal(err)
	}
	return sum
}

// checkBooks holds the books of air and energy of the whole run against what
// the vessels hold and the motors took.
func checkBooks(t *testing.T, w *World) {
	t.Helper()
	from, to := w.truth.Span()
	plant := w.truth.Plant(from, to)
	var inlet, blown, delivered float64
	for i, name := range w.truth.Machines() {
		sum, err := w.truth.Totals(name, from, to)
		if err != nil {
			t.Fatal(err)
		}
		inlet, blown, delivered = inlet+sum.InletM3, blown+sum.BlownM3, delivered+sum.DeliveredM3
		c := w.machines[i]
		if parts := sum.MotorJ + sum.FanJ + sum.ControlsJ; math.Abs(parts-sum.EnergyJ) > 1e-9*sum.EnergyJ {
			t.Errorf("%s: motor, fan and controls took %g J, the package %g J", name, parts, sum.EnergyJ)
		}
		inStates := 0.0
		for _, j := range sum.StateJ {
			inStates += j
		}
		if math.Abs(inStates-sum.EnergyJ) > 1e-9*sum.EnergyJ {
			t.Errorf("%s: the states took %g J, the package %g J", name, inStates, sum.EnergyJ)
		}
		// Heat: what came into oil and metal has left them or is in them.
		stored := heatJK * c.size * (c.oilK - w.firstOilK[i])
		if got := c.count.HeatJ - c.count.CooledJ - stored; math.Abs(got) > 1e-6*c.count.HeatJ+1 {
			t.Errorf("%s: %g J of %g J of heat are missing", name, got, c.count.HeatJ)
		}
		if c.count.HeatJ >= sum.EnergyJ {
			t.Errorf("%s: more heat (%g J) than energy (%g J)", name, c.count.HeatJ, sum.EnergyJ)
		}
		// No machine is better than an isothermal one.
		if sum.DeliveredM3 > 0 && !(sum.IsothermalJ > 0 && sum.IsothermalJ < 0.75*sum.MotorJ) {
			t.Errorf("%s: isothermal work %g J of %g J: impossible", name, sum.IsothermalJ, sum.MotorJ)
		}
		var states time.Duration
		for _, d := range sum.States {
			states += d
		}
		if states != to.Sub(from) {
			t.Errorf("%s: the states last %v, the run %v", name, states, to.Sub(from))
		}
	}
	// Air: in = demand + leaks + purge + drains + blown off + stored. What is
	// stored comes from the pressures.
	stored := -w.initial
	for i := range w.vessels {
		stored += w.vessels[i].volumeM3 * w.vessels[i].pressurePa() / w.scenario.BarometerPa
	}
	for _, c := range w.machines {
		stored += c.sump.volumeM3 * c.sump.pressurePa() / w.scenario.BarometerPa
	}
	out := plant.UsedM3 + plant.LeakedM3 + plant.PurgedM3 + plant.DrainedM3 + blown + stored
	if inlet < 100 || math.Abs(inlet-out) > 1e-6*inlet {
		t.Errorf("air: %g m³ came in, %g m³ are accounted for", inlet, out)
	}
	if math.Abs(stored-plant.StoredM3) > 1e-6*inlet {
		t.Errorf("air: %g m³ stored by the pressures, %g m³ by the books", stored, plant.StoredM3)
	}
	if got := delivered - (out - blown - stored) - plantGain(w); math.Abs(got) > 1e-6*inlet {
		t.Errorf("air: %g m³ of the %g m³ delivered are missing", got, delivered)
	}
}

// plantGain is what receivers and pipes have gained.
func plantGain(w *World) float64 {
	gain := 0.0
	for i := range w.vessels {
		v := &w.vessels[i]
		gain += v.volumeM3 * (v.pressurePa() - (w.scenario.InitialPressurePa + w.scenario.BarometerPa)) / w.scenario.BarometerPa
	}
	return gain
}

// TestBooksOfEveryScenario closes the books of air, energy and heat of every
// scenario with other seeds than its own (TestStories has its own), over a
// Monday; under -short, of three and its morning.
func TestBooksOfEveryScenario(t *testing.T) {
	seeds, length := []uint64{101, 102}, 24*time.Hour
	if testing.Short() {
		seeds, length = seeds[:1], 5*time.Hour
	}
	for _, name := range shortOf() {
		t.Run(name, func(t *testing.T) {
			for _, seed := range seeds {
				s, err := LoadScenario(name)
				if err != nil {
					t.Fatal(err)
				}
				s.Seed = seed
				w, err := New(s, monday(s).Add(6*time.Hour))
				if err != nil {
					t.Fatal(err)
				}
				w.Advance(w.start.Add(length))
				checkBooks(t, w)
			}
		})
	}
}

// TestScenariosRepeatBitForBit runs every scenario's Monday morning twice (three
// of them under -short): the
// truth and every register are the same to the bit; another seed gives another
// truth.
func TestScenariosRepeatBitForBit(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine, and slow under the race detector; not under -short")
	}
	for _, name := range shortOf() {
		first, again := fingerprint(t, name, 0), fingerprint(t, name, 0)
		if first != again {
			t.Errorf("%s: two runs differ", name)
		}
		if other := fingerprint(t, name, 9999); other == first {
			t.Errorf("%s: another seed gave the same run", name)
		}
	}
}

// fingerprint hashes the truth and the registers of a scenario's first hours of
// a Monday's shift.
func fingerprint(t *testing.T, name string, seed uint64) [32]byte {
	t.Helper()
	s, err := LoadScenario(name)
	if err != nil {
		t.Fatal(err)
	}
	if seed != 0 {
		s.Seed = seed
	}
	w, err := New(s, monday(s).Add(6*time.Hour+50*time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	h := sha256.New()
	for range 40 * 60 {
		w.Advance(w.Now().Add(time.Second))
		for _, d := range w.devices {
			if !d.current {
				d.draw()
				d.current = true
			}
			for a := range d.image.input {
				h.Write([]byte{byte(d.image.input[a] >> 8), byte(d.image.input[a]), byte(d.image.holding[a] >> 8), byte(d.image.holding[a])})
			}
		}
	}
	var out bytes.Buffer
	if err := w.Truth().WriteJSON(&out); err != nil {
		t.Fatal(err)
	}
	// The seed stands in the file: leave it out.
	h.Write(bytes.Replace(out.Bytes(), []byte(`"seed"`), nil, 1)[60:])
	return [32]byte(h.Sum(nil))
}

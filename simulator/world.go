package simulator

import (
	"fmt"
	"math"
	"time"
)

const (
	stepDur  = 50 * time.Millisecond
	stepS    = 0.05
	perS     = int64(time.Second / stepDur)
	gridHz   = 60.0
	minuteAt = 60 * perS
)

func steps(d time.Duration) int64 { return int64(d / stepDur) }

// World is a plant that runs. It is not safe for concurrent use.
type World struct {
	scenario *Scenario
	start    time.Time
	now      int64 // steps since start

	machines []*compressor
	vessels  []vessel // of the plant, in the order the air takes
	links    []link   // links[i] joins vessels[i] and vessels[i+1]
	before   float64  // resistance of the parts before the first vessel
	receiver int      // index of the last vessel that is a receiver
	demand   demand
	outlets  []outlet // drains and purges
	valves   []valve
	dryer    dryer
	shares   [3]float64 // of the mean voltage, line to line
	dark     bool       // no supply

	clockOffset time.Duration // of whoever records
	plant       plantCounters
	initial     float64 // m³ stored at the start

	firstOilK []float64 // of each machine, at the start

	ambientK, outsideK float64
	humidity           float64 // relative, at ambientK
	dayOffsetK         float64
	dayNumber          int
	grid               grid

	devices []*Registers
	truth   *Truth
}

// plantCounters are the true integrals of the plant since the world began.
type plantCounters struct {
	UsedM3    float64
	LeakedM3  float64
	HeaderM3  float64 // into the last volume
	PurgedM3  float64
	DrainedM3 float64
	lowSteps  int64 // with the receiver below the users' minimum
	// Gauge, times seconds.
	ReceiverPaS, HeaderPaS float64
}

// New makes a world of a scenario that begins at start (cut to the whole
// second). The scenario is copied in part only: do not change it afterwards.
func New(s *Scenario, start time.Time) (*World, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	w := &World{scenario: s, start: start.Truncate(time.Second).In(s.Location), demand: newDemand(s), dayNumber: -1}
	w.buildPlant()
	w.buildOutlets()
	w.buildValves()
	w.shares = [3]float64{shareAB, shareBC, shareCA}
	if s.Unbalance > 0 {
		for k := range w.shares {
			w.shares[k] = 1 + (w.shares[k]-1)*s.Unbalance/(1-shareBC)
		}
	}
	for i := range s.Machines {
		w.machines = append(w.machines, newCompressor(s, &s.Machines[i], i))
	}
	w.grid = newGrid(s.Seed)
	w.truth = newTruth(w)
	w.weather(w.start)
	w.ambientK = w.outsideK
	w.moisten()
	for _, c := range w.machines {
		c.oilK, c.aftercoolerK = w.ambientK, w.ambientK
		w.firstOilK = append(w.firstOilK, c.oilK)
	}
	for i := range s.Devices {
		w.devices = append(w.devices, newRegisters(w, &s.Devices[i]))
	}
	w.initial = w.storedM3()
	w.second()
	w.truth.begin()
	w.refresh()
	return w, nil
}

func (w *World) buildPlant() {
	s := w.scenario
	drop := 0.0
	w.dryer.link = noDryer
	for _, p := range s.Parts {
		resistance := 0.0
		if p.DropPa > 0 {
			resistance = p.DropPa / (p.DropAtM3S * p.DropAtM3S)
		}
		drop += resistance
		if p.Kind == "dryer" && w.dryer.link == noDryer {
			// The link behind the last volume so far is the next to be made.
			w.dryer = dryer{link: len(w.vessels) - 1, resistance: resistance, ratedM3S: p.DropAtM3S, heatless: p.Purge.FlowM3S > 0}
		}
		if p.VolumeM3 == 0 {
			continue
		}
		v := newVessel(p.VolumeM3, s.InitialPressurePa+s.BarometerPa, s.BarometerPa)
		if n := len(w.vessels); n == 0 {
			w.before = drop
		} else {
			w.links = append(w.links, link{resistance: drop, stepPaSM3: stepS * (w.vessels[n-1].scale + v.scale)})
		}
		drop = 0
		if p.Kind == "receiver" {
			w.receiver = len(w.vessels)
		}
		w.vessels = append(w.vessels, v)
	}
}

// Now is the world's time.
func (w *World) Now() time.Time { return w.start.Add(time.Duration(w.now) * stepDur) }

// Scenario returns the scenario the world was made of; it must not be changed.
func (w *World) Scenario() *Scenario { return w.scenario }

// Advance integrates up to the last whole step at or before to. A time that
// has passed already changes nothing.
func (w *World) Advance(to time.Time) {
	end := int64(to.Sub(w.start) / stepDur)
	for w.now < end {
		w.step()
	}
}

// step integrates 50 ms.
func (w *World) step() {
	for i, c := range w.machines {
		c.turnMotor()
		c.moveAir(&w.vessels[0], w.before)
		state, command := c.state, c.loadCommand
		if c.control(w.now) {
			w.truth.changed(i, w.now+1)
		}
		w.truth.follow(i, w.now+1)
		w.truth.machines[i].watchDelay(c, state, w.now+1)
		if c.loadCommand != command && c.state.Running() && state != Starting {
			w.truth.commanded(i, w.now+1)
		}
	}
	for i := range w.links {
		l := &w.links[i]
		up, down := &w.vessels[i], &w.vessels[i+1]
		l.flowM3S = w.passes(i, up.pressurePa()-down.pressurePa())
		up.freeM3 -= l.flowM3S * stepS
		down.freeM3 += l.flowM3S * stepS
	}
	for i := range w.outlets {
		w.outlets[i].let(w)
	}
	last := &w.vessels[len(w.vessels)-1]
	used, leaked := w.demand.flows(last.pressurePa(), w.scenario.BarometerPa)
	last.freeM3 -= (used + leaked) * stepS
	w.plant.UsedM3 += used * stepS
	w.plant.HeaderM3 += w.headerFlow() * stepS
	w.plant.LeakedM3 += leaked * stepS
	w.watchPressure(last)

	w.now++
	if w.now%perS == 0 {
		w.second()
	}
	if w.now%minuteAt == 0 {
		w.truth.mark(w.now)
	}
	w.refresh()
}

// second does what changes by the second: calendar, people, heat, grid.
func (w *World) second() {
	local := w.Now()
	now := momentOf(local)
	day, second := local.Weekday(), int(now)%86400
	s := w.scenario
	days := float64(w.now) * stepS / 86400
	for _, c := range s.ClockSteps {
		if c.At == now && w.now > 0 {
			w.clockOffset += c.By
			w.truth.clockStep(w.now, c.By)
		}
	}
	w.supplied(now)
	w.takeTurns()
	w.turnValves(now)
	w.demand.second(day, second, anyContains(s.Shifts, day, second) && !anyContains(s.Breaks, day, second))
	w.demand.leak = w.demand.leakAtFirst * (1 + s.Leak.Growth*days/7)
	w.weather(local)
	running := 0.0
	for i, c := range w.machines {
		c.scheduled = len(c.spec.Schedule) == 0 || anyContains(c.spec.Schedule, day, second)
		before := c.suffer(now, days)
		for k := range before {
			if before[k] != c.broken[k] {
				w.truth.wrong(i, k, c.broken[k], w.now)
			}
		}
		c.heat(w.ambientK)
		if c.state.Running() {
			running++
		}
	}
	for i := range w.outlets {
		w.outlets[i].second(w.now/perS, now, running > 0)
	}
	want := w.outsideK + s.Weather.RoomK*running/float64(len(w.machines))
	w.ambientK += (want - w.ambientK) / 1200
	w.moisten()
	w.grid.second(float64(second) / 3600)
}

// ClockOffset is how far the clock of whoever records has jumped by now.
func (w *World) ClockOffset() time.Duration { return w.clockOffset }

// weather sets the room's temperature without machines: warmest at 15:00, and
// each day off by its own amount.
func (w *World) weather(local time.Time) {
	weather := &w.scenario.Weather
	if day := local.YearDay(); day != w.dayNumber {
		w.dayNumber = day
		rng := newRandom(w.scenario.Seed, uint64(1e6)+uint64(local.Year()*400+day))
		w.dayOffsetK = weather.DayK * rng.normal()
	}
	hour, minute, _ := local.Clock()
	angle := 2 * math.Pi * (float64(hour) + float64(minute)/60 - 15) / 24
	w.outsideK = weather.MeanK + w.dayOffsetK + weather.SwingK*math.Cos(angle)
}

// moisten sets the humidity of the room: the vapour of the mean day, at the
// room's temperature.
func (w *World) moisten() {
	weather := &w.scenario.Weather
	w.humidity = math.Min(1, weather.Humidity*saturationPa(weather.MeanK)/saturationPa(w.ambientK))
}

// storedM3 is the free air in the plant and the sumps.
func (w *World) storedM3() float64 {
	sum := 0.0
	for i := range w.vessels {
		sum += w.vessels[i].freeM3
	}
	for _, c := range w.machines {
		sum += c.sump.freeM3
	}
	return sum
}

// Device returns the registers of a device. The error names those there are.
func (w *World) Device(name string) (*Registers, error) {
	names := make([]string, 0, len(w.devices))
	for _, d := range w.devices {
		if d.spec.Name == name {
			return d, nil
		}
		names = append(names, d.spec.Name)
	}
	return nil, fmt.Errorf("%w: no device %q; there are %q", ErrScenario, name, names)
}

// Devices returns the registers of all devices, as the scenario lists them.
func (w *World) Devices() []*Registers { return w.devices }

// Truth is what really happened. It belongs to the world and grows with it, by
// about 1 MB for each machine and week.
func (w *World) Truth() *Truth { return w.truth }

// grid is the supply's voltage, one for the shop.
type grid struct {
	rng   random
	slow  float64 // share
	share float64 // of nominal
}

func newGrid(seed uint64) grid {
	return grid{rng: newRandom(seed, 7), share: 1}
}

// second lets the voltage wander: 0.8 % over the day, 0.15 % at random.
func (g *grid) second(hour float64) {
	g.slow += -g.slow/120 + 0.0015*math.Sqrt(2.0/120)*g.rng.normal()
	g.share = 1 + 0.008*math.Cos(2*math.Pi*(hour-3)/24) + g.slow
}

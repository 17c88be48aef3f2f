package simulator

import (
	"encoding/binary"
	"math"
	"testing"
	"time"
)

// TestStories runs every scenario whole, closes its books and looks for what
// its title promises. A scenario without a check here fails.
func TestStories(t *testing.T) {
	checks := map[string]func(*testing.T, *staged){
		"joinery":           tellJoinery,
		"growing-leaks":     tellGrowingLeaks,
		"short-cycling":     tellShortCycling,
		"storage-starved":   tellStarved,
		"fouled-cooler":     tellFouledCooler,
		"power-failures":    tellPowerFailures,
		"reversed-ct":       tellReversedCT,
		"clock-jumps":       tellClockJumps,
		"stuck-inlet-valve": tellStuckValve,
		"failed-blow-down":  tellFailedBlowDown,
		"heatless-dryer":    tellHeatlessDryer,
		"pump-up-test":      tellPumpUp,
		"biased-sensors":    tellBiased,

		"modulate-then-unload":  tellThrottling,
		"variable-displacement": tellShorterRotors,
		"three-shifts":          tellThreeShifts,
		"no-load-bit":           tellNoLoadBit,
		"coarse-registers":      tellCoarse,
	}
	for _, name := range Scenarios() {
		t.Run(name, func(t *testing.T) {
			check := checks[name]
			if check == nil {
				t.Fatal("no check of this scenario's story: add one")
			}
			if testing.Short() {
				t.Skip("runs a whole week or two; not under -short")
			}
			t.Parallel()
			g := stageScenario(t, name, 0, 0)
			checkBooks(t, g.w)
			check(t, g)
		})
	}
}

// within fails if value lies outside low to high.
func within(t *testing.T, what string, value, low, high float64) {
	t.Helper()
	t.Logf("%s: %.4g", what, value)
	if !(value >= low && value <= high) {
		t.Errorf("%s: %g, want %g to %g", what, value, low, high)
	}
}

// cyclesPerHour is load cycles over running time.
func cyclesPerHour(sum Totals) float64 { return float64(sum.LoadCycles) / sum.Running().Hours() }

// lowShare is the share of the shifts (after the first hour of the first) in
// which the receiver is below the users' minimum.
func (g *staged) lowShare() float64 {
	low, all := 0.0, 0.0
	for i, s := range g.samples[0] {
		at := g.time(i)
		if h, _, _ := at.Clock(); h < 8 || !anyContains(g.w.scenario.Shifts, at.Weekday(), h*3600) {
			continue
		}
		all++
		if s.systemPa < g.w.scenario.MinimumPressurePa {
			low++
		}
	}
	return low / all
}

func tellJoinery(t *testing.T, g *staged) {
	within(t, "load cycles an hour", cyclesPerHour(g.whole(t, 0)), 10, 45)
	within(t, "share of the shifts below minimum", g.lowShare(), 0, 0.001)
	for _, s := range g.samples[0] {
		if s.bit != (s.state == Loaded) && s.bit != s.command {
			t.Fatal("the load bit disagrees with command and state")
		}
	}
}

func tellGrowingLeaks(t *testing.T, g *staged) {
	const day = 24 * time.Hour
	first := g.w.truth.Plant(g.start, g.start.Add(day))
	last := g.w.truth.Plant(g.end.Add(-day), g.end)
	within(t, "leaks of the last day over those of the first", last.LeakedM3/first.LeakedM3, 2, 4)
	// At night only leaks flow; the machine's load cycles follow them.
	night := func(from time.Time) float64 {
		sum, err := g.w.truth.Totals("comp1", from, from.Add(5*time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		return sum.DeliveredM3
	}
	within(t, "air delivered in a night, second week over first", night(g.start.Add(8*day+time.Hour))/night(g.start.Add(day+time.Hour)), 1.5, 3)
}

func tellShortCycling(t *testing.T, g *staged) {
	sum := g.whole(t, 0)
	within(t, "load cycles an hour", cyclesPerHour(sum), 100, 400)
	within(t, "mean flow over the machine's", sum.DeliveredM3/sum.Running().Seconds()/g.w.machines[0].fullM3S, 0.03, 0.25)
	loaded := sum.States[Loaded].Seconds() / float64(sum.LoadCycles)
	within(t, "mean loaded time, s", loaded, 1, 12)
}

func tellStarved(t *testing.T, g *staged) {
	sum := g.whole(t, 0)
	within(t, "mean flow over the machine's: it is large enough", sum.DeliveredM3/sum.Running().Seconds()/g.w.machines[0].fullM3S, 0.1, 0.6)
	within(t, "share of the shifts below minimum", g.lowShare(), 0.02, 0.3)
}

func tellFouledCooler(t *testing.T, g *staged) {
	// The discharge temperature over the room's after five minutes of load.
	over := func(from, until string) float64 {
		hottest := 0.0
		for _, s := range g.samples[0][g.at(t, from):g.at(t, until)] {
			hottest = math.Max(hottest, s.airEndK-s.roomK)
		}
		return hottest
	}
	before, after := over("Mon 08:00", "Mon 16:00"), over("Wed 08:00", "Wed 16:00")
	within(t, "hottest over room, Wednesday less Monday, K", after-before, 8, 40)
	hot := 0
	list, err := g.w.truth.Transitions("comp1", g.start, g.end)
	if err != nil {
		t.Fatal(err)
	}
	for _, tr := range list {
		if tr.State == Tripped {
			if tr.Fault != hotCode || tr.Time.Before(g.time(g.at(t, "Tue 09:40"))) {
				t.Errorf("trip %+v: want a hot air end, after the dust came", tr)
			}
			hot++
		}
	}
	within(t, "trips by a hot air end", float64(hot), 1, 20)
	changes := 0
	for i := 1; i < g.at(t, "Tue 00:00"); i++ {
		a, b := g.samples[0][i-1], g.samples[0][i]
		if a.state.Running() && b.state.Running() && a.fan != b.fan {
			changes++
		}
	}
	within(t, "times the fan was switched on Monday while running", float64(changes), 2, 400)
}

func tellPowerFailures(t *testing.T, g *staged) {
	outages := g.w.truth.Outages(g.start, g.end)
	var lengths []time.Duration
	for _, o := range outages {
		lengths = append(lengths, o.To.Sub(o.From))
		for i := int(o.From.Sub(g.start)/time.Second) + 1; g.time(i).Before(o.To); i++ {
			if s := g.samples[0][i]; s.state != Off || s.powerW != 0 {
				t.Fatalf("without a supply the machine is %v and takes %g W", s.state, s.powerW)
			}
		}
	}
	want := []time.Duration{40 * time.Second, 8 * time.Minute, 3 * time.Second, 30 * time.Minute}
	if len(lengths) != len(want) {
		t.Fatalf("power failures %v, want %v", lengths, want)
	}
	for i := range want {
		if lengths[i] != want[i] {
			t.Errorf("power failure %d lasts %v, want %v", i+1, lengths[i], want[i])
		}
	}
	sum := g.whole(t, 0)
	// The night's failure finds the machine off.
	within(t, "automatic restarts", float64(sum.Restarts), 3, 3)
	if sum.Starts <= sum.Restarts {
		t.Errorf("%d starts, %d of them after power failures", sum.Starts, sum.Restarts)
	}
	// Nobody answers without a supply, and not at once after.
	w, err := New(g.w.scenario, g.start.Add(9*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	request := []byte{4, 0, 0, 0, 2}
	for _, c := range []struct {
		after   time.Duration
		answers bool
	}{{11 * time.Minute, true}, {12*time.Minute + 20*time.Second, false}, {12*time.Minute + 44*time.Second, false}, {13 * time.Minute, true}} {
		w.Advance(g.start.Add(9*time.Hour + c.after))
		for _, d := range w.Devices() {
			if got := d.Answer(request) != nil; got != c.answers {
				t.Errorf("%s %v after nine: answers %v, want %v", d.Name(), c.after, got, c.answers)
			}
		}
	}
}

func tellReversedCT(t *testing.T, g *staged) {
	meter, err := g.w.Device("meter")
	if err != nil {
		t.Fatal(err)
	}
	counted := float64(binary.BigEndian.Uint64(read(t, meter, 4, 16, 4))-g.w.scenario.Machines[0].InitialWh) * 3600
	from, to := g.w.truth.Span()
	sum, err := g.w.truth.Totals("comp1", from, to)
	if err != nil {
		t.Fatal(err)
	}
	// Of three wattmeters one goes backwards: (1+1-1)/3 of the energy.
	within(t, "counted over true energy", counted/sum.EnergyJ, 0.32, 0.35)
}

func tellClockJumps(t *testing.T, g *staged) {
	jumps := g.w.truth.ClockJumps(g.start, g.end)
	want := []time.Duration{-95 * time.Second, time.Hour, -time.Hour}
	if len(jumps) != len(want) {
		t.Fatalf("jumps %v, want %v", jumps, want)
	}
	for i := range want {
		if jumps[i].By != want[i] {
			t.Errorf("jump %d is %v, want %v", i+1, jumps[i].By, want[i])
		}
	}
	if got := g.w.ClockOffset(); got != -95*time.Second {
		t.Errorf("the clock is off by %v at the end, want -95 s", got)
	}
}

func tellStuckValve(t *testing.T, g *staged) {
	faults, err := g.w.truth.Faults("comp1", g.start, g.end)
	if err != nil {
		t.Fatal(err)
	}
	if len(faults) != 2 || !faults[0].From.Equal(g.time(g.at(t, "Wed 10:00"))) || !faults[0].To.Equal(g.time(g.at(t, "Wed 10:25"))) ||
		faults[1].Kind != faultValveOpen {
		t.Errorf("faults %+v, want the valve closed on Wednesday and open on Thursday", faults)
	}
	noAir, hidden := 0, 0
	for i := g.at(t, "Wed 10:01"); i < g.at(t, "Wed 10:25"); i++ {
		if s := g.samples[0][i]; s.bit && s.state == Unloaded && s.outM3S < 0.1*g.w.machines[0].fullM3S {
			noAir++
		}
	}
	for i := g.at(t, "Thu 13:01"); i < g.at(t, "Thu 15:00"); i++ {
		if s := g.samples[0][i]; !s.bit && s.state == Loaded && s.powerW > 20e3 {
			hidden++
		}
	}
	within(t, "seconds said to be loaded, with hardly any air", float64(noAir), 300, 1440)
	within(t, "seconds said to be unloaded while pumping", float64(hidden), 300, 7200)
	for i := g.at(t, "Tue 00:00"); i < g.at(t, "Wed 00:00"); i++ {
		if s := g.samples[0][i]; s.state == Unloaded && s.bit && g.samples[0][i-2].bit {
			t.Fatalf("on Tuesday the valve did not follow, at %v", g.time(i))
		}
	}
}

func tellFailedBlowDown(t *testing.T, g *staged) {
	// Power and sump pressure at the end of each unloaded stretch of a minute
	// and more.
	settled := func(from, until string) (powerW, sumpPa float64) {
		n := 0.0
		long := 0
		for i := g.at(t, from); i < g.at(t, until); i++ {
			s := g.samples[0][i]
			if s.state != Unloaded {
				long = 0
				continue
			}
			if long++; long == 60 {
				powerW, sumpPa, n = powerW+s.powerW, sumpPa+s.sumpPa, n+1
			}
		}
		if n == 0 {
			t.Fatalf("%s to %s: never a minute unloaded", from, until)
		}
		return powerW / n, sumpPa / n
	}
	goodW, goodPa := settled("Mon 07:00", "Tue 11:00")
	badW, badPa := settled("Wed 07:00", "Fri 16:00")
	within(t, "power after a minute unloaded, failed over good", badW/goodW, 1.6, 3)
	within(t, "sump pressure then, good, psi", goodPa/psiPa, 15, 40)
	within(t, "sump pressure then, failed, psi", badPa/psiPa, 80, 130)
}

func tellHeatlessDryer(t *testing.T, g *staged) {
	plant := g.w.truth.Plant(g.start, g.end)
	sum := g.whole(t, 0)
	// 15 % of the nameplate flow, common practice for heatless dryers, while
	// open; its share of what is delivered at part load is larger.
	rate := plant.PurgedM3 / sum.Running().Seconds() / g.w.scenario.Machines[0].RatedFlowM3S
	within(t, "purge over nameplate flow while running", rate, 0.10, 0.16)
	within(t, "purge over delivered air", plant.PurgedM3/sum.DeliveredM3, 0.15, 0.35)
	within(t, "drained, m³", plant.DrainedM3, 50, 400)
}

package main

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"loadscribe/agent/align"
	"loadscribe/agent/scan"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// fineMS is how often the plant is looked at: what loggers show is picked of it.
const fineMS = 250

// fine is what channels of a plant truly showed, every fineMS.
type fine struct {
	from   int64
	values map[string][]float64
}

// playFine plays a day's part of a scenario and keeps the named channels.
func playFine(t *testing.T, o stage.Options, channels ...string) *fine {
	t.Helper()
	edit := o.Edit
	o.Edit = func(s *simulator.Scenario) {
		for i := range s.Devices {
			s.Devices[i].Poll = fineMS * time.Millisecond
		}
		if edit != nil {
			edit(s)
		}
	}
	o.WarmUp = 2 * time.Hour
	s, err := stage.Open(t.TempDir(), o)
	if err != nil {
		t.Fatal(err)
	}
	f := &fine{from: s.From.UnixMilli(), values: map[string][]float64{}}
	for _, c := range channels {
		f.values[c] = make([]float64, s.To.Sub(s.From).Milliseconds()/fineMS)
		for i := range f.values[c] {
			f.values[c][i] = math.NaN()
		}
	}
	err = s.Play(t.Context(), nil, func(batch []scan.Scan) error {
		for i := range batch {
			sc := &batch[i]
			for k := range sc.Group.Channels {
				c := &sc.Group.Channels[k]
				if kept := f.values[c.ID()]; kept != nil {
					if raw, ok := sc.Get(k); ok {
						kept[(sc.WallMS-f.from)/fineMS] = c.Value(raw)
					}
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// lone is a logger: its clock shows the true time less offset at the middle of the
// record, and needs ppm more later.
type lone struct{ offsetMS, ppm, periodMS float64 }

// record is what the logger makes of a channel: stamps by its own clock, at the
// whole multiples of its period.
func (l lone) record(f *fine, channel string) (times []int64, values []float64) {
	fineValues := f.values[channel]
	for k := math.Ceil(l.own(f, f.from)/l.periodMS) * l.periodMS; ; k += l.periodMS {
		i := int(math.Floor((l.truth(f, k) - float64(f.from)) / fineMS))
		if i >= len(fineValues) {
			return times, values
		}
		times, values = append(times, int64(k)), append(values, fineValues[max(i, 0)])
	}
}

func (l lone) middle(f *fine) float64 {
	for _, v := range f.values {
		return float64(f.from) + fineMS*float64(len(v))/2
	}
	return 0
}

// truth is the true time of a stamp, own the stamp of a true time.
func (l lone) truth(f *fine, own float64) float64 {
	return own + l.offsetMS + (own-l.middle(f))*l.ppm/1e6
}

func (l lone) own(f *fine, truth int64) float64 {
	return l.middle(f) + (float64(truth)-l.middle(f)-l.offsetMS)/(1+l.ppm/1e6)
}

// worst is how far corrected stamps lie from the truth at most.
func (l lone) worst(f *fine, a align.Alignment, times []int64) float64 {
	most := 0.0
	for _, own := range []int64{times[0], times[len(times)/2], times[len(times)-1]} {
		most = max(most, math.Abs(float64(a.Correct(own))-l.truth(f, float64(own))))
	}
	return most
}

// sight is a channel and how its transitions are looked for.
type sight struct {
	channel string
	options align.Options
}

// TestAlignAgainstTruth records working days of several plants with two loggers,
// one right and one whose clock is off and drifts, and demands the second's stamps
// to within one period of the slower of the two, from one end to the other. The
// record of the second shows something else than the first's: power where that has
// the load bit, a pressure's turns, at 2 and 10 s. A cycle of 20 s every 10 s may be
// too little to go by; then it must be refused. LOADSCRIBE_LONG plays longer, with other
// seeds and plants.
func TestAlignAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("plays simulated days; not under -short")
	}
	t.Parallel()
	long := os.Getenv("LOADSCRIBE_LONG") != ""
	seeds, length := []uint64{0, 11}, 6*time.Hour
	if long {
		seeds, length = []uint64{0, 11, 12, 13, 14}, 60*time.Hour
	}
	turns := align.Options{Turns: true, Prompt: align.Falls}
	plants := []struct {
		scenario  string
		long      bool // for LOADSCRIBE_LONG only
		reference string
		others    []sight
	}{
		{"joinery", false, "controller.loaded", []sight{{"meter.power", align.Options{}}, {"controller.receiver_pressure", turns}}},
		{"short-cycling", false, "controller.loaded", []sight{{"meter.power", align.Options{}}}},
		{"heatless-dryer", false, "controller.loaded", []sight{{"meter.power", align.Options{}}, {"air.header_pressure", turns}}},
		{"three-shifts", true, "base1_controller.loaded", []sight{{"base1_meter.power", align.Options{}}}},
		{"growing-leaks", true, "controller.loaded", []sight{{"meter.power", align.Options{}}, {"controller.receiver_pressure", turns}}},
	}
	for _, p := range plants {
		if p.long && !long {
			continue
		}
		for _, seed := range seeds {
			t.Run(fmt.Sprintf("%s %d", p.scenario, seed), func(t *testing.T) {
				channels := []string{p.reference}
				for _, s := range p.others {
					channels = append(channels, s.channel)
				}
				f := playFine(t, stage.Options{Scenario: p.scenario, Seed: seed, Length: length, Start: morning(p.scenario)}, channels...)
				times, values := lone{0, 0, 1000}.record(f, p.reference)
				reference := align.Edges(times, values, align.Options{})
				g := rand.New(rand.NewPCG(seed, 9))
				for _, s := range p.others {
					for _, period := range []float64{2000, 10_000} {
						l := lone{offsets[g.IntN(len(offsets))] + 1000*g.Float64(), drifts[g.IntN(len(drifts))], period}
						checkAligned(t, f, reference, s, l, p.scenario == "short-cycling" && period == 10_000)
					}
				}
			})
		}
	}
}

var (
	offsets = []float64{-3600_000, -420_000, -11_000, 4_000, 37_000, 1500_000, 3600_000, 18_000_000} // ms
	drifts  = []float64{-100, -30, -5, 5, 40, 100}                                                   // ppm
)

// morning is where the record begins: half an hour before the first shift of a
// Tuesday.
func morning(scenario string) time.Time {
	s, err := simulator.LoadScenario(scenario)
	if err != nil {
		panic(err)
	}
	return time.Date(2026, time.March, 3, 6, 25, 0, 0, s.Location)
}

func checkAligned(t *testing.T, f *fine, reference []align.Edge, s sight, l lone, tooSlow bool) {
	t.Helper()
	times, values := l.record(f, s.channel)
	o := s.options
	o.PeriodMS = l.periodMS
	other := align.Edges(times, values, o)
	a, err := align.Match(reference, other, o)
	if tooSlow && align.IsRefusal(err) {
		t.Logf("%s every %.0f ms: %v", s.channel, l.periodMS, err)
		return
	}
	if err != nil {
		t.Errorf("%s every %.0f ms, %d and %d transitions: %v", s.channel, l.periodMS, len(reference), len(other), err)
		return
	}
	worst := l.worst(f, a, times)
	t.Logf("%s every %.0f ms, off by %.1f s and %.0f ppm: corrected to %.0f ms (stated ± %.0f). %s",
		s.channel, l.periodMS, l.offsetMS/1000, l.ppm, worst, a.UncertaintyMS, a.Describe("other", "reference"))
	if worst >= l.periodMS {
		t.Errorf("%s every %.0f ms: %.0f ms from the truth", s.channel, l.periodMS, worst)
	}
}

// TestAlignRefuses: two plants that only start work at the same minute, and a
// machine that only feeds a leak and so cycles strictly, give no alignment. The
// second does with a hint.
func TestAlignRefuses(t *testing.T) {
	if testing.Short() {
		t.Skip("plays simulated days; not under -short")
	}
	t.Parallel()
	const bit, power = "controller.loaded", "meter.power"
	one := playFine(t, stage.Options{Scenario: "joinery", Seed: 5, Length: 6 * time.Hour, Start: morning("joinery")}, bit, power)
	two := playFine(t, stage.Options{Scenario: "joinery", Seed: 6, Length: 6 * time.Hour, Start: morning("joinery")}, power)
	leak := playFine(t, stage.Options{Scenario: "joinery", Length: 4 * time.Hour, Start: morning("joinery").Add(2 * time.Hour),
		Edit: func(s *simulator.Scenario) { s.Users, s.Leak.FlowM3S = nil, 0.4*s.Machines[0].RatedFlowM3S }}, bit, power)
	edges := func(f *fine, l lone, channel string) []align.Edge {
		times, values := l.record(f, channel)
		return align.Edges(times, values, align.Options{})
	}
	right, off := lone{0, 0, 1000}, lone{-37_000, 20, 2000}
	hint := -37_500.0
	tests := []struct {
		name             string
		reference, other []align.Edge
		o                align.Options
		want             error
	}{
		{"another plant", edges(one, right, bit), edges(two, off, power), align.Options{}, align.ErrUnrelated},
		{"a strict cycle", edges(leak, right, bit), edges(leak, off, power), align.Options{}, align.ErrAmbiguous},
		{"a strict cycle, hint", edges(leak, right, bit), edges(leak, off, power), align.Options{HintMS: &hint, WithinMS: 20_000}, nil},
	}
	for _, test := range tests {
		test.o.PeriodMS = off.periodMS
		a, err := align.Match(test.reference, test.other, test.o)
		t.Logf("%s, %d and %d transitions: %v", test.name, len(test.reference), len(test.other), err)
		if !errors.Is(err, test.want) {
			t.Errorf("%s: %+v, %v; want %v", test.name, a, err, test.want)
		}
		if test.want == nil {
			times, _ := off.record(leak, power)
			if worst := off.worst(leak, a, times); worst >= off.periodMS {
				t.Errorf("%s: %.0f ms from the truth", test.name, worst)
			}
		}
	}
}

package main

import (
	"math"
	"os"
	"slices"
	"testing"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/cmd/loadscribe/stage"
	"loadscribe/simulator"
)

// unsealed is a store in which nothing is sealed yet: all is with the folder.
type unsealed struct{}

func (unsealed) Pieces(string, int64, int64) ([]store.Piece, error)  { return nil, nil }
func (unsealed) Scans(store.ScanQuery, func(*scan.Scan) error) error { return nil }

// tapPlace is where a plant's pressure, or its flow, is read.
type tapPlace string

const (
	atOutlet   tapPlace = "outlet"   // of the machine: no tap
	atReceiver tapPlace = "receiver" // pressure
	atHeader   tapPlace = "header"   // pressure
	byMeter    tapPlace = "meter"    // pressure and flow at the header
)

// withTaps is a site with the taps of one place; false where it has no such.
func withTaps(site *sitefile.Site, place tapPlace) (*sitefile.Site, bool) {
	cut := *site
	cut.Systems = slices.Clone(site.Systems)
	var taps []sitefile.Tap
	for _, tap := range site.Systems[0].Taps {
		switch {
		case place == atReceiver && tap.Flow == "", place == byMeter && tap.Flow != "":
			taps = append(taps, tap)
		case place == atHeader && tap.Flow != "":
			tap.Flow = ""
			taps = append(taps, tap)
		}
	}
	cut.Systems[0].Taps = taps
	return &cut, place == atOutlet || len(taps) > 0
}

// demandLimits are what a scenario may miss by, in shares of the machines' full
// flow: the root mean square of one minute once the common error of the flow is
// taken off.
type demandLimits struct {
	scenario string
	rms      map[tapPlace]float64
}

// The stated interval is to cover 95 % of minutes over plants; in one plant all
// minutes share one flow, whose error may be at the end of its range.
const (
	leastCovered     = 0.60
	leastCoveredMean = 0.95
)

func demandScenarios() []demandLimits {
	limits := func(outlet, receiver, header float64) map[tapPlace]float64 {
		return map[tapPlace]float64{atOutlet: outlet, atReceiver: receiver, atHeader: header, byMeter: 0.005}
	}
	return []demandLimits{
		{"joinery", limits(0.015, 0.015, 0)}, {"growing-leaks", limits(0.015, 0.015, 0)},
		{"heatless-dryer", limits(0.035, 0.01, 0.015)}, {"three-shifts", limits(0.02, 0.015, 0.015)},
		{"storage-starved", limits(0.02, 0.02, 0)}, {"short-cycling", limits(0.025, 0.025, 0)},
		{"modulate-then-unload", limits(0.025, 0.02, 0)}, {"coarse-registers", limits(0.02, 0, 0)},
	}
}

// TestDemandAgainstTruth prints, for a working day of each scenario (a week where
// LOADSCRIBE_LONG is set) and each place of the tap, the demand of single minutes
// beside what was used, leaked, purged and drained in them.
func TestDemandAgainstTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("plays simulated days; not under -short")
	}
	long := os.Getenv("LOADSCRIBE_LONG") != ""
	t.Logf("%-21s %-9s %7s %9s %8s %10s %6s %8s %8s %6s", "scenario", "tap", "minutes", "mean", "bias", "of stated", "rms", "rms own", "covered", "res.")
	var covered []float64
	for _, limits := range demandScenarios() {
		sc, err := simulator.LoadScenario(limits.scenario)
		if err != nil {
			t.Fatal(err)
		}
		after, length := shiftDay(limits.scenario)
		o := stage.Options{Scenario: limits.scenario, Start: simulator.BenchStart(sc.Location).Add(after), WarmUp: time.Hour, Length: length}
		if long {
			o = stage.Options{Scenario: limits.scenario, Length: 7 * 24 * time.Hour}
		}
		covered = append(covered, demandTruth(t, o, limits)...)
	}
	var sum float64
	for _, c := range covered {
		sum += c
	}
	if mean := sum / float64(max(1, len(covered))); mean < leastCoveredMean {
		t.Errorf("over all, the interval covers %.1f %% of minutes, at least %.0f %%", 100*mean, 100*leastCoveredMean)
	}
}

func demandTruth(t *testing.T, o stage.Options, limits demandLimits) (covered []float64) {
	t.Helper()
	s, err := stage.Open(t.TempDir(), o)
	if err != nil {
		t.Fatal(err)
	}
	groups := sitefile.Groups(s.Site)
	sites, folders := map[tapPlace]*sitefile.Site{}, map[tapPlace]*analysis.Folder{}
	places := []tapPlace{atOutlet, atReceiver, atHeader, byMeter}
	for _, place := range places {
		if site, ok := withTaps(s.Site, place); ok {
			sites[place], folders[place] = site, analysis.NewFolder(site, groups)
		}
	}
	err = s.Play(t.Context(), groups, func(scans []scan.Scan) error {
		for _, f := range folders {
			for i := range scans {
				f.Step(&scans[i])
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, place := range places {
		if folders[place] == nil {
			continue
		}
		d, err := analysis.AirDemand(analysis.WithPending(unsealed{}, folders[place]), sites[place], "main", s.From.UnixMilli(), s.To.UnixMilli(), 60_000, s.To.UnixMilli())
		if err != nil {
			t.Fatal(err)
		}
		covered = append(covered, tellDemand(t, s, place, &d, limits))
	}
	return covered
}

// tellDemand prints one line, holds it to the limits and tells the share of
// minutes that the interval covers.
func tellDemand(t *testing.T, s *stage.Stage, place tapPlace, d *analysis.Demand, limits demandLimits) float64 {
	t.Helper()
	if d.Absent != "" {
		t.Errorf("%s, %s: absent: %s", limits.scenario, place, d.Absent)
		return 0
	}
	truth := s.World.Truth()
	full := 0.0
	for _, m := range truth.Machines() {
		q, err := truth.TrueFlowM3S(m)
		if err != nil {
			t.Fatal(err)
		}
		full += q
	}
	var errs, delivered []float64
	n, covered := 0.0, 0.0
	var sum, own float64
	for _, step := range d.Steps {
		if step.Flow == nil {
			continue
		}
		at, err := time.Parse(time.RFC3339, step.Start)
		if err != nil {
			t.Fatal(err)
		}
		p := truth.Plant(at, at.Add(time.Minute))
		want := p.UsedM3 + p.LeakedM3
		if place != byMeter {
			want += p.PurgedM3 + p.DrainedM3
		}
		supply := p.HeaderM3
		if place != byMeter {
			supply = 0
			for _, m := range truth.Machines() {
				sum, err := truth.Totals(m, at, at.Add(time.Minute))
				if err != nil {
					t.Fatal(err)
				}
				supply += sum.DeliveredM3
			}
		}
		e := *step.Flow - want/60
		errs, delivered = append(errs, e), append(delivered, supply/60)
		n++
		sum += e
		own += *step.OwnU * *step.OwnU
		if math.Abs(e) <= 2**step.U {
			covered++
		}
	}
	if n < 60 {
		t.Errorf("%s, %s: %g minutes were balanced", limits.scenario, place, n)
		return 0
	}
	rms := rmsWithout(errs, delivered)
	bias := sum / n
	t.Logf("%-21s %-9s %7.0f %6.3f m³/s %+7.2f%% %7.1f u %6.2f%% %6.2f%% %7.1f%% %4.0f s", limits.scenario, place, n, *d.Mean,
		100*bias/full, bias / *d.U, 100*rms/full, 100*math.Sqrt(own/n)/full, 100*covered/n, d.ResolutionS)
	if math.Abs(bias) > 2**d.U {
		t.Errorf("%s, %s: bias %.4f m³/s, stated ±%.4f", limits.scenario, place, bias, 2**d.U)
	}
	if rms/full > limits.rms[place] {
		t.Errorf("%s, %s: a minute is off by %.1f %% of full flow, at most %.1f %%", limits.scenario, place, 100*rms/full, 100*limits.rms[place])
	}
	if covered/n < leastCovered {
		t.Errorf("%s, %s: the interval covers %.1f %%, at least %.0f %%", limits.scenario, place, 100*covered/n, 100*leastCovered)
	}
	return covered / n
}

// rmsWithout is the root mean square of errors, less the part that is in
// proportion to what was delivered: a wrong full-load flow.
func rmsWithout(errs, delivered []float64) float64 {
	var cross, square float64
	for i, e := range errs {
		cross += e * delivered[i]
		square += delivered[i] * delivered[i]
	}
	if square == 0 {
		square = 1
	}
	var sum float64
	for i, e := range errs {
		rest := e - cross/square*delivered[i]
		sum += rest * rest
	}
	return math.Sqrt(sum / float64(len(errs)))
}

package analysis

import (
	"os"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/air"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// TestPlace: near the sea nothing is said, higher up what it does to air, and
// above 1000 m what it does to the motor.
func TestPlace(t *testing.T) {
	for _, tt := range []struct {
		heightM    float64
		air, motor bool
	}{{210, false, false}, {700, true, false}, {1640, true, true}} {
		site := plant(t)
		site.BarometerPa = air.StandardPa(tt.heightM)
		rep := mustCompute(t, &memory{}, site, monday, monday+hourMS)
		var text string
		for _, r := range rep.Machines[0].Remarks {
			text += r.Sentence
		}
		if air, motor := strings.Contains(text, "less air than at sea level"), strings.Contains(text, "cools the motor less"); air != tt.air || motor != tt.motor {
			t.Errorf("%g m: %q", tt.heightM, text)
		}
	}
}

// TestLimitsSayWhatTheyRestOn: uneven voltages mean something else above 5 %
// (NEMA MG 1-14.36, read) and behind a drive, and a share of wet time that
// rests on an assumed humidity is said to.
func TestLimitsSayWhatTheyRestOn(t *testing.T) {
	site := plant(t)
	m := &site.Machines[0]
	for _, tt := range []struct {
		figure   string
		value    float64
		starting string
		want     string
	}{
		{"phase_unbalance", 2, "direct", "see motor_derating"},
		{"phase_unbalance", 6, "direct", "is not to be run"},
		{"phase_unbalance", 6, "drive", "the drive, not the motor"},
		{"water_risk_share", 0.5, "direct", "no humidity is read"},
	} {
		m.Motor.Starting = tt.starting
		s := &sheet{site: site, g: &gathered{sp: machineSpec(site, sitefile.Groups(site), m, Levels{})}, figures: map[string]Figure{}}
		s.put(tt.figure, "1", estimate{tt.value, 0.1}, "", nil)
		all := s.limits(m)
		if len(all) != 1 || !strings.Contains(all[0].Sentence, tt.want) {
			t.Errorf("%s %g, %s: %+v, want %q", tt.figure, tt.value, tt.starting, all, tt.want)
		}
	}
}

// At the trip temperature the remark says so: "within 0.0 °F of it" would be the
// word for a machine that kept running.
func TestMarginAtTheTrip(t *testing.T) {
	for _, c := range []struct {
		margin float64
		want   string
	}{{-0.1, "temperature reached the trip"}, {0.02, "temperature reached the trip"}, {3, "came within 3.0 K of the trip"}, {10, ""}} {
		s := &sheet{site: &sitefile.Site{}, figures: map[string]Figure{"discharge_margin": {Name: "discharge_margin", Value: &c.margin, Unit: "K"}}}
		got := s.limits(&sitefile.Machine{})
		if c.want == "" && len(got) > 0 || c.want != "" && (len(got) != 1 || !strings.Contains(got[0].Sentence, c.want)) {
			t.Errorf("a margin of %g K: %+v, want %q", c.margin, got, c.want)
		}
	}
}

// A sump that keeps its pressure makes air flow sooner after a load than the
// approach counts on: a rise then is no proof of dirt, and the remark says so.
func TestApproachBesideAFailedBlowDown(t *testing.T) {
	rise, fall := 1.2, -1.2
	kept := []Remark{{Kind: remarkBlowDown, About: "blowdown_time"}}
	for _, c := range []struct {
		name   string
		change Remark
		kept   []Remark
		want   bool
	}{
		{"both", Remark{About: "approach_temperature", Change: &rise}, kept, true},
		{"a sound blow-down", Remark{About: "approach_temperature", Change: &rise}, nil, false},
		{"a fall", Remark{About: "approach_temperature", Change: &fall}, kept, false},
		{"another figure", Remark{About: "phase_unbalance", Change: &rise}, kept, false},
	} {
		got := explained([]Remark{c.change}, c.kept, &sitefile.Machine{Control: sitefile.LoadUnload})
		if strings.Contains(got[0].Sentence, "first mend the blow-down") != c.want {
			t.Errorf("%s: %q", c.name, got[0].Sentence)
		}
	}
}

// TestChangeInDocs: a change reads as docs/health.md shows it.
func TestChangeInDocs(t *testing.T) {
	page, err := os.ReadFile("../../docs/health.md")
	if err != nil {
		t.Fatal(err)
	}
	site := plant(t)
	site.Units, site.Location = quantity.US, time.UTC
	s := &sheet{site: site, g: &gathered{sp: machineSpec(site, sitefile.Groups(site), &site.Machines[0], Levels{})}}
	since := time.Date(2026, time.March, 3, 10, 0, 0, 0, time.UTC).UnixMilli()
	const kelvin = 5.0 / 9
	r := s.changed(&trended{name: "approach_temperature", unit: "K", up: "look for dirt on the cooler, …"}, &change{at: 1, before: 14.5 * kelvin, after: 18.9 * kelvin},
		[]block{{to: since}, {from: since}})
	if !strings.Contains(strings.ReplaceAll(string(page), "\r\n", "\n"), "```text\n"+r.Sentence+"\n```") {
		t.Errorf("docs/health.md does not show %q", r.Sentence)
	}
}

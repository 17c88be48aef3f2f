package guided

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/air"
	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// The tests.
const (
	Leak   = "leak"
	PumpUp = "pump-up"
)

// Ask is what a person asks for. Zero quantities are taken from the site file.
type Ask struct {
	Test    string
	Machine string // pump-up; may be empty where the site has one
	System  string // leak; may be empty where the site has one
	Who     string
	// Confirmed says that the cautions were read and all who use air were told.
	Confirmed bool
	// VolumeM3 is the known volume from the machine up to the shut valve (pump-up),
	// or all that is fed (leak); VolumeShare is what it may be off by, at most.
	VolumeM3, VolumeShare float64
	// PackageM3 is the air space inside the machine that fills with it: separator
	// above the oil, cooler and pipes up to its outlet.
	PackageM3 float64
	Rises     int // pump-up, how many; 0: three
}

// Wrong is something wrong with what was asked for; the message says how to
// mend it. Field is a name of the API.
type Wrong struct{ Field, Message string }

// Error implements error.
func (w *Wrong) Error() string { return w.Message }

func wrong(field, format string, args ...any) error {
	return &Wrong{field, fmt.Sprintf(format, args...)}
}

// ErrNone is wrapped where the site has no channel that a test could go by.
var ErrNone = errors.New("this test is not possible here")

// What is assumed where nothing is known.
const (
	// A vessel's volume is what its plate says within 3 %, a pipe's what it was
	// reckoned at within 15 % (common practice, no source).
	receiverLimit, pipingLimit = 0.03, 0.15
	// The air space inside a package, as seconds of its rated flow: a 37 kW
	// machine of 87 l/s has 10 to 75 l (common practice, no source).
	packageS, packageLimitS = 0.5, 0.4
	// The air in the vessel is as warm as that at the inlet within 5 K (common
	// practice, no source), and of the inlet's volume 0 to 2.4 % is water that falls
	// out before: saturated air at 20 °C is 2.3 % vapour (2338.8 Pa, handbook, read).
	vesselLimitK                = 5.0
	waterShare, waterLimitShare = 0.012, 0.012
	// The site file's barometer is rounded or reckoned from a height within 0.5 kPa
	// (common practice, no source). What the weather adds is another on the day of
	// the next test.
	barometerLimitPa = 500.0
	// Below this no rise counts: the minimum-pressure valve is closed or just
	// opening (opens at 4 to 4.5 bar, common practice, no source).
	floorPa = 5.2e5
	// A machine that has passed the higher of its rated and its cut-out pressure by
	// a tenth does not unload as it should (common practice, no source).
	overshoot = 1.1
	// The accuracy of a gauge of which none is given.
	assumedGaugeShare = 0.01
)

// Source is the channel that a test goes by.
type Source struct {
	Group *scan.Group
	Index int
	ID    string
	Part  string // where it sits: a part, or "MACHINE's outlet"
	unit  quantity.Unit
}

// Pressure is the source's pressure in a scan of its group, gauge.
func (c *Source) Pressure(s *scan.Scan) (pa float64, reason scan.Reason) {
	raw, good := s.Get(c.Index)
	if !good {
		return 0, s.ReasonOf(c.Index)
	}
	return c.unit.ToSI(s.Group.Channels[c.Index].Value(raw)), scan.Good
}

// Plan is a test that can be done: what was asked for, with all that the site
// knows of it. It is not changed once made.
type Plan struct {
	Test, System, Machine, Who string
	Machines                   []string // of the system; Reading.Doing is in their order
	Source                     Source
	Valve                      string // the part behind which the valve is shut
	RatedFlowM3S               float64
	MostPa                     float64 // gauge; above it a pump-up test ends at once; 0: not known
	Rises                      int
	GapMS, PeriodMS            int64
	units                      quantity.System

	VolumeM3  gum.Value // V 0: not known
	PackageM3 gum.Value
	InletPa   gum.Value // absolute
	// Condition is what the free air at the inlet is to what the rise of pressure
	// says: another temperature, water fallen out.
	Condition gum.Value
	Gauge     gum.Value // 1, with what the gauge's slope may be off by
}

// The inputs of a result are named as analysis names its own, letter by letter
// (agent/analysis/inputs.go): what a figure and a test share is known so. A test
// of the analysis holds the two together.

// NewPlan checks what a person asks for against the site. groups are those that
// scans point to. An error of type *Wrong names the field; others wrap ErrNone.
func NewPlan(site *sitefile.Site, groups []*scan.Group, ask Ask) (*Plan, error) {
	p := &Plan{Test: ask.Test, Who: strings.TrimSpace(ask.Who), Rises: ask.Rises, units: site.Units}
	sys, err := p.find(site, ask)
	if err != nil {
		return nil, err
	}
	if err := ask.check(); err != nil {
		return nil, err
	}
	if p.Rises == 0 {
		p.Rises = 3
	}
	p.System, p.Machines = sys.Name, sys.Machines
	limit := air.NoHeightLimitPa
	if site.BarometerGiven {
		limit = barometerLimitPa
	}
	p.InletPa = gum.New(site.BarometerPa, gum.Rectangular(limit), "inlet pressure of "+site.Name+" (assumed)")
	p.Condition = gum.New(1+waterShare, math.Hypot(gum.Rectangular(waterLimitShare), gum.Rectangular(vesselLimitK)/air.InletMiddleK),
		"temperature and water of the stored air in "+sys.Name+" (assumed)")
	last := len(sys.Parts) - 1
	if p.Test == PumpUp {
		last = valvePart(sys)
	}
	if last >= 0 {
		p.Valve = sys.Parts[last].Name
	}
	if err := p.volumes(sys, last, ask); err != nil {
		return nil, err
	}
	return p, p.source(site, sys, groups, last)
}

// find sets who is tested, and returns the system.
func (p *Plan) find(site *sitefile.Site, ask Ask) (*sitefile.System, error) {
	switch ask.Test {
	case Leak:
		name := ask.System
		if name == "" && len(site.Systems) == 1 {
			name = site.Systems[0].Name
		}
		var names []string
		for i := range site.Systems {
			if names = append(names, site.Systems[i].Name); names[i] == name {
				return &site.Systems[i], nil
			}
		}
		return nil, wrong("system", "%s", notOne("system", name, names))
	case PumpUp:
		m, err := findMachine(site, ask.Machine)
		if err != nil {
			return nil, err
		}
		p.Machine, p.RatedFlowM3S = m.Name, m.RatedFlowM3S
		p.MostPa = overshoot * max(m.RatedPressurePa, m.CutOutPa)
		for i := range site.Systems {
			if slices.Contains(site.Systems[i].Machines, m.Name) {
				return &site.Systems[i], nil
			}
		}
		return nil, wrong("machine", "machine %q is in no [[system]] of the site file: add one with its receiver and a tap", m.Name)
	}
	return nil, wrong("test", "test %q is not known: use leak or pump-up", ask.Test)
}

func findMachine(site *sitefile.Site, name string) (*sitefile.Machine, error) {
	if name == "" && len(site.Machines) == 1 {
		return &site.Machines[0], nil
	}
	var names []string
	for i := range site.Machines {
		if names = append(names, site.Machines[i].Name); names[i] == name {
			return &site.Machines[i], nil
		}
	}
	return nil, wrong("machine", "%s", notOne("machine", name, names))
}

// notOne says that a name is none of those there are, or missing.
func notOne(what, name string, names []string) string {
	switch {
	case len(names) == 0:
		return fmt.Sprintf("the site file has no [[%s]]: add one", what)
	case name == "":
		return fmt.Sprintf("say which %s: %s", what, strings.Join(names, ", "))
	}
	return fmt.Sprintf("there is no %s %q: use %s", what, name, strings.Join(names, ", "))
}

// maxWho is the most characters of a name.
const maxWho = 160

// check refuses what cannot be meant.
func (a *Ask) check() error {
	switch who := strings.TrimSpace(a.Who); {
	case who == "":
		return wrong("who", "say who does the test: it stands beside the result")
	case len([]rune(who)) > maxWho || strings.ContainsFunc(who, func(r rune) bool { return r < ' ' }):
		return wrong("who", "write a name of at most %d characters on one line", maxWho)
	case !(a.VolumeM3 >= 0 && a.VolumeM3 < 1e5):
		return wrong("volume_m3", "the volume must be above zero, in cubic metres")
	case !(a.VolumeShare >= 0 && a.VolumeShare < 0.5):
		return wrong("volume_share", "what the volume may be off by must be from 0 to below 0.5 (half of it)")
	case !(a.PackageM3 >= 0 && a.PackageM3 < 1e3):
		return wrong("package_m3", "the air space inside the machine must be above zero, in cubic metres")
	case a.Rises != 0 && (a.Rises < 2 || a.Rises > 6 || a.Test != PumpUp):
		return wrong("rises", "a pump-up test takes 2 to 6 rises, a leak test none")
	case !a.Confirmed:
		return wrong("confirmed", "read the cautions and tell all who use air; then confirm")
	}
	return nil
}

// valvePart is the place of the last receiver: the plant valve is taken to sit
// right behind it. -1: there is none.
func valvePart(sys *sitefile.System) int {
	for i := len(sys.Parts) - 1; i >= 0; i-- {
		if sys.Parts[i].Kind == "receiver" {
			return i
		}
	}
	return -1
}

// volumes sets the known volume: the parts' up to the last one, or what was
// given.
func (p *Plan) volumes(sys *sitefile.System, last int, ask Ask) error {
	given := "volume of " + sys.Name + " as given for a test"
	var volume, limitM3 float64
	for i := 0; i <= last; i++ {
		limit := receiverLimit
		if sys.Parts[i].Kind == "piping" {
			limit = pipingLimit
		}
		volume += sys.Parts[i].VolumeM3
		limitM3 += limit * sys.Parts[i].VolumeM3
	}
	if volume > 0 {
		p.VolumeM3 = gum.New(volume, gum.Rectangular(limitM3), "nominal volume of "+sys.Name)
	}
	switch {
	case ask.VolumeM3 > 0:
		share := ask.VolumeShare
		if share == 0 {
			share = receiverLimit
		}
		p.VolumeM3 = gum.New(ask.VolumeM3, gum.Rectangular(share*ask.VolumeM3), given)
	case ask.VolumeShare > 0 && p.VolumeM3.V > 0:
		p.VolumeM3 = gum.New(p.VolumeM3.V, gum.Rectangular(ask.VolumeShare*p.VolumeM3.V), given)
	}
	if p.Test != PumpUp {
		return nil
	}
	if p.VolumeM3.V <= 0 {
		return wrong("volume_m3", "system %q has no receiver with a volume: give the volume up to the valve, or add volume = \"240 gal\" to the receiver in the site file", sys.Name)
	}
	if ask.PackageM3 > 0 {
		p.PackageM3 = gum.New(ask.PackageM3, gum.Rectangular(0.1*ask.PackageM3), "air space inside "+p.Machine+", as given for the test")
		return nil
	}
	flow := p.RatedFlowM3S
	if flow <= 0 {
		flow = p.VolumeM3.V / 10 // it fills in tens of seconds
	}
	p.PackageM3 = gum.New(packageS*flow, gum.Rectangular(packageLimitS*flow), packageInput(p.Machine))
	return nil
}

// weather is what the day's barometer may bring to a flow, which goes as one over it.
func (p *Plan) weather(flowM3S float64, wallMS int64) gum.Value {
	return gum.New(0, float64(flowM3S*gum.Rectangular(air.WeatherLimitPa))/p.InletPa.V, p.scatter("barometer in the weather", wallMS))
}

// scatter names what a test's own scatter brings: another test shares none of it.
func (p *Plan) scatter(of string, wallMS int64) string {
	return fmt.Sprintf("scatter of the %s of the %s test of %s, %s", of, p.Test, cmp.Or(p.Machine, p.System),
		time.UnixMilli(wallMS).UTC().Format(time.RFC3339))
}

// packageInput names what is assumed of a machine's inside.
func packageInput(machine string) string { return "air space inside " + machine + " (assumed)" }

// source finds the pressure to go by: of the system's taps that are on this side
// of the valve the last one, else the machine's outlet.
func (p *Plan) source(site *sitefile.Site, sys *sitefile.System, groups []*scan.Group, last int) error {
	id, part := "", ""
	for i := 0; i <= last; i++ {
		for _, tap := range sys.Taps {
			if tap.At == sys.Parts[i].Name && tap.Pressure != "" {
				id, part = tap.Pressure, tap.At
			}
		}
	}
	for i := range site.Machines {
		m := &site.Machines[i]
		if id == "" && (m.Name == p.Machine || p.Machine == "" && slices.Contains(sys.Machines, m.Name)) {
			id, part = m.Roles[scan.DischargePressure], m.Name+"'s outlet"
		}
	}
	device, name, ok := scan.SplitID(id)
	if !ok {
		return fmt.Errorf("%w: system %q has no pressure tap on this side of the valve, and no machine a discharge pressure: add taps = [{ at = \"receiver\", pressure = \"DEVICE.CHANNEL\" }]", ErrNone, sys.Name)
	}
	for _, g := range groups {
		i := g.Index(name)
		if g.Device != device || i < 0 {
			continue
		}
		unit, err := quantity.ParseUnit(g.Channels[i].Unit)
		if err != nil || unit.Dimension != quantity.Pressure {
			return fmt.Errorf("%w: channel %s has no unit of pressure", ErrNone, id)
		}
		p.Source = Source{Group: g, Index: i, ID: id, Part: part, unit: unit}
		p.GapMS, p.PeriodMS = g.GapMS(), g.PeriodMS
		p.Gauge = gaugeSlope(site, id)
		return nil
	}
	return fmt.Errorf("%w: channel %s is not read", ErrNone, id)
}

// gaugeSlope is 1 with what the slope of a gauge may be off by. An offset cancels
// out of a rise. A share a of span as limit says that the gauge is within a at both
// ends, of which no more is known: the slope is then off by up to 2a, in a triangle,
// of the standard uncertainty 2a/√6 (GUM, 4.3.9, from memory).
func gaugeSlope(site *sitefile.Site, id string) gum.Value {
	u, name := 2*assumedGaugeShare/math.Sqrt(6), "accuracy of "+id+" (±1 % of span assumed)"
	device, mc, ok := site.Channel(id)
	if !ok {
		return relative(u, name)
	}
	a, given := device.AccuracyOf(mc)
	span := device.SpanOf(mc).WidthSI
	if !given || a.OfSpan > 0 && span == 0 {
		return relative(u, name)
	}
	if span == 0 {
		span = 1e6 // of a gauge whose span is not known
	}
	return relative(math.Hypot(a.StandardU(a.OfReading), math.Sqrt2*a.StandardU(a.OfSpan+a.SI/span)), "accuracy of "+id)
}

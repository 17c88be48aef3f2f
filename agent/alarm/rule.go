package alarm

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Rule is one [[alarm]] of the site file and what it watches.
type Rule struct {
	sitefile.Alarm
	// Text says in a sentence when it is raised and when it returns.
	Text   string
	Points []*Point // empty: Absent says why
	Absent string
	// Targets are the names of those to tell; never nil.
	Targets []string

	afterMS, clearAfterMS, bridgeMS int64
}

// Sources is what rules need to know beside the site file. Its functions are asked
// by New alone.
type Sources struct {
	// Tap is the channel of a system's pressure; empty: it has none.
	Tap func(*sitefile.System) string
	// GapMS is the time from which on a channel's readings have a gap; 0: it is not
	// read at all.
	GapMS func(channel string) int64
	// Faults are the channels of fault codes.
	Faults []FaultChannel
	// BridgeMS is how long a pressure may be back at the minimum before a time below
	// it counts as over.
	BridgeMS int64
	// EveryMS is how often kinds are looked at that are not seen in scans.
	EveryMS func(kind sitefile.AlarmKind) int64
}

// FaultChannel is a channel of fault codes.
type FaultChannel struct {
	Channel, Subject, Device string
}

const (
	zeroCelsiusK = 273.15
	// missedLooks in a row make a gap of what is looked at by the clock: as scans do.
	missedLooks = 3
)

// rulesOf resolves the alarms of a site.
func rulesOf(site *sitefile.Site, src *Sources) []*Rule {
	var all []*Rule
	for i := range site.Alarms {
		a := &site.Alarms[i]
		r := &Rule{Alarm: *a, afterMS: a.After.Milliseconds(), clearAfterMS: a.ClearAfter.Milliseconds(), Targets: targetsOf(site, a)}
		if a.On == sitefile.AlarmMinimum {
			r.bridgeMS = src.BridgeMS
		}
		b := builder{site, src, r}
		b.points()
		for _, p := range r.Points {
			if p.GapMS == 0 {
				p.GapMS = missedLooks * src.EveryMS(a.On)
			}
		}
		r.Text = ruleText(site, r)
		all = append(all, r)
	}
	return all
}

// targetsOf are the names of those who are told of an alarm.
func targetsOf(site *sitefile.Site, a *sitefile.Alarm) []string {
	if !a.TellAll {
		return append([]string{}, a.Tell...)
	}
	return site.Targets()
}

type builder struct {
	site *sitefile.Site
	src  *Sources
	rule *Rule
}

func (b *builder) add(p Point) { p.Rule = b.rule; b.rule.Points = append(b.rule.Points, &p) }

func (b *builder) points() {
	a := &b.rule.Alarm
	switch a.On {
	case sitefile.AlarmTemperature:
		b.ofRole(quantity.Temperature)
	case sitefile.AlarmPressure:
		if a.System != "" {
			b.ofSystemPressure()
		} else {
			b.ofRole(quantity.Pressure)
		}
	case sitefile.AlarmMinimum:
		b.ofMinimum()
	case sitefile.AlarmStarts, sitefile.AlarmCycling:
		b.ofCounts()
	case sitefile.AlarmNoData:
		b.ofDevices("readings of ")
	case sitefile.AlarmService:
		b.ofService()
	case sitefile.AlarmQuiet:
		b.ofSystems()
	case sitefile.AlarmFault:
		b.ofFaults()
	case sitefile.AlarmDisk:
		b.add(Point{Subject: "disk", What: "disk of the data directory"})
	case sitefile.AlarmCalibration:
		b.ofInstruments()
	case sitefile.AlarmReading:
		b.ofChannel()
	case sitefile.AlarmUndelivered:
		b.ofDeliveries()
	}
	if len(b.rule.Points) == 0 && b.rule.Absent == "" {
		b.rule.Absent = "the site has nothing that it could watch"
	}
}

// limit is the rule's, in SI.
func (b *builder) limit() Limit {
	a := &b.rule.Alarm
	if a.Below != nil {
		return Limit{At: *a.Below, Back: a.Back, Below: true}
	}
	return Limit{At: *a.Above, Back: a.Back}
}

// measured completes a point that is seen in the scans of a channel.
func (b *builder) measured(p Point, d quantity.Dimension) {
	p.GapMS = b.src.GapMS(p.Channel)
	p.dimension = d
	switch d {
	case quantity.Temperature:
		p.Unit, p.fromSI = "°C", func(k float64) float64 { return k - zeroCelsiusK }
	case quantity.Pressure:
		p.Unit, p.fromSI = "kPa", func(pa float64) float64 { return pa / 1000 }
	default:
		_, c, _ := b.site.Channel(p.Channel)
		p.Unit, p.fromSI = c.UnitText, c.Unit.FromSI
	}
	if p.GapMS == 0 {
		b.rule.Absent = p.Channel + " is not polled"
		return
	}
	b.add(p)
}

func (b *builder) ofRole(d quantity.Dimension) {
	a := &b.rule.Alarm
	for i := range b.site.Machines {
		m := &b.site.Machines[i]
		if a.Machine != "" && m.Name != a.Machine || m.Roles[a.Role] == "" {
			continue
		}
		b.measured(Point{Subject: m.Name, Channel: m.Roles[a.Role], What: words(a.Role) + " of " + m.Name, Limit: b.limit()}, d)
	}
	if len(b.rule.Points) == 0 {
		b.rule.Absent = cmp.Or(b.rule.Absent, fmt.Sprintf("no channel has the role %s of %s", a.Role, cmp.Or(a.Machine, "a machine")))
	}
}

func words(r scan.Role) string { return strings.ReplaceAll(string(r), "_", " ") }

func (b *builder) ofTap(s *sitefile.System, l Limit) {
	tap := b.src.Tap(s)
	if _, c, ok := b.site.Channel(tap); !ok || c.Unit.Dimension != quantity.Pressure {
		b.rule.Absent = "system " + s.Name + " has no pressure tap"
		return
	}
	b.measured(Point{Subject: s.Name, Channel: tap, What: "pressure of " + s.Name, Limit: l}, quantity.Pressure)
}

func (b *builder) ofSystemPressure() {
	for i := range b.site.Systems {
		if s := &b.site.Systems[i]; s.Name == b.rule.System {
			b.ofTap(s, b.limit())
		}
	}
}

func (b *builder) ofMinimum() {
	for i := range b.site.Systems {
		s := &b.site.Systems[i]
		if b.rule.System != "" && s.Name != b.rule.System || s.MinimumPressurePa <= 0 {
			continue
		}
		b.ofTap(s, Limit{At: s.MinimumPressurePa, Back: b.rule.Back, Below: true})
	}
}

func (b *builder) ofCounts() {
	for i := range b.site.Machines {
		m := &b.site.Machines[i]
		if b.rule.Machine != "" && m.Name != b.rule.Machine {
			continue
		}
		p := Point{Subject: m.Name, What: "load cycles of " + m.Name + " in an hour", Limit: Limit{At: b.rule.Limit}}
		if b.rule.On == sitefile.AlarmStarts {
			p.What, p.Limit = "starts of "+m.Name+" in an hour", Limit{At: cmp.Or(b.rule.Limit, m.Motor.StartsPerHour), Reached: true}
		}
		p.Unit, p.fromSI = "1/h", func(n float64) float64 { return n }
		b.add(p)
	}
}

func (b *builder) ofDevices(what string) {
	for i := range b.site.Devices {
		d := &b.site.Devices[i]
		if (b.rule.Device == "" || d.Name == b.rule.Device) && b.site.Polled(d.Name) {
			b.add(Point{Subject: d.Name, What: what + d.Name})
		}
	}
}

func (b *builder) ofService() {
	for i := range b.site.Machines {
		m := &b.site.Machines[i]
		if b.rule.Machine != "" && m.Name != b.rule.Machine {
			continue
		}
		for _, it := range m.Service {
			b.add(Point{Subject: m.Name, Part: it.Item, What: it.Item + " of " + m.Name})
		}
	}
	if len(b.rule.Points) == 0 {
		b.rule.Absent = "no machine has a service list in the site file"
	}
}

func (b *builder) ofSystems() {
	for i := range b.site.Systems {
		if s := &b.site.Systems[i]; b.rule.System == "" || s.Name == b.rule.System {
			b.add(Point{Subject: s.Name, What: "growth of the quiet demand of " + s.Name, Unit: "%", fromSI: func(x float64) float64 { return 100 * x },
				Limit: Limit{At: *b.rule.Above}})
		}
	}
}

func (b *builder) ofFaults() {
	for _, f := range b.src.Faults {
		if b.rule.Machine != "" && f.Subject != b.rule.Machine || b.rule.Device != "" && f.Device != b.rule.Device {
			continue
		}
		if gap := b.src.GapMS(f.Channel); gap > 0 {
			b.add(Point{Subject: f.Subject, Part: f.Channel, Channel: f.Channel, GapMS: gap, What: "fault code of " + f.Subject})
		}
	}
	if len(b.rule.Points) == 0 {
		b.rule.Absent = "no channel that is read is a fault code"
	}
}

func (b *builder) ofDeliveries() {
	for _, name := range b.site.Deliveries() {
		if b.rule.Target == "" || name == b.rule.Target {
			b.add(Point{Subject: name, What: "what is sent to " + name})
		}
	}
}

func (b *builder) ofInstruments() {
	for _, r := range b.site.Instruments() {
		if b.rule.Device != "" && r.Device.Name != b.rule.Device {
			continue
		}
		b.add(Point{Subject: r.Device.Name, Part: r.Subject, What: "calibration of " + r.Subject})
	}
}

func (b *builder) ofChannel() {
	d, c, ok := b.site.Channel(b.rule.Channel)
	if !ok {
		b.rule.Absent = b.rule.Channel + " is not in the register maps"
		return
	}
	b.measured(Point{Subject: d.Name, Part: b.rule.Channel, Channel: b.rule.Channel, What: b.rule.Channel, Limit: b.limit()}, c.Unit.Dimension)
}

// Subjects are what the rule is about, each once.
func (r *Rule) Subjects() []string {
	all := []string{}
	for _, p := range r.Points {
		if !slices.Contains(all, p.Subject) {
			all = append(all, p.Subject)
		}
	}
	return all
}

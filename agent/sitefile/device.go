package sitefile

import (
	"fmt"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

const defaultPeriod = time.Second

func (l *loader) readDevices(root *section) {
	sections := root.subs("device")
	if len(sections) == 0 {
		root.problem(position{}, "device", "add [[device]] with a name, a line and a map", "the site has no device")
	}
	for _, s := range sections {
		d := Device{Name: s.ident("name", `name the device, like name = "controller"`)}
		l.readDeviceLine(s, &d)
		l.needPeriod(s, &d)
		d.Every = s.period("every", defaultPeriod)
		d.Map = l.readDeviceMap(s, &d)
		d.Instrument = s.instrument("instrument", &d)
		l.checkProtocol(s, &d)
		s.warnSpan(&d)
		s.done()
		if d.Name != "" && l.deviceNames.add(s, "name", d.Name) {
			l.site.Devices = append(l.site.Devices, d)
		}
	}
	l.warnIdleLines(root)
}

// needPeriod wants the period of a logger's rows, which nothing else tells.
func (l *loader) needPeriod(s *section, d *Device) {
	if l.lineKinds[d.Line] == FromFile {
		s.need("every", `write how far the rows of its files lie apart, like every = "10s"`)
	}
}

func (l *loader) readDeviceLine(s *section, d *Device) {
	e := s.need("line", "name the [[line]] that the device is on")
	d.Line = s.text("line", "")
	kind, known := l.lineKinds[d.Line]
	if e != nil && e.value.kind == kindText && !known {
		s.problem(e.value.at, "line", l.lineNames.mend(d.Line), "there is no line %q", d.Line)
	}
	if kind == FromFile {
		if e := s.entry("unit"); e != nil {
			s.problem(e.at, "unit", "remove it", "a device whose readings are imported from files has no unit id")
		}
		return
	}
	if kind == Text {
		if e := s.entry("unit"); e != nil {
			s.problem(e.at, "unit", "remove it; an address, if the device has one, belongs into send in the map", "a device on a text line has no unit id")
		}
		return
	}
	low, high := int64(0), int64(255)
	mend := "unit ids over TCP are 0 to 255"
	if kind != "" && kind.hasBus() {
		low, high, mend = 1, 247, "unit ids on a serial bus are 1 to 247"
	}
	d.UnitID = uint8(s.integer("unit", 1, low, high, mend))
	if d.Line != "" && kind != "" {
		key := fmt.Sprintf("%s %d", d.Line, d.UnitID)
		if other, taken := l.units[key]; taken {
			at := s.table.at
			if e := s.table.find("unit"); e != nil {
				at = e.value.at
			}
			s.warn(at, "unit", "correct the unit id, unless one device has two maps",
				"unit %d of line %q is device %q already", d.UnitID, d.Line, other)
		}
		l.units[key] = d.Name
	}
}

// checkProtocol sees that line and map speak the same, and that a line that
// is listened to has one device only: nothing says who printed a text.
func (l *loader) checkProtocol(s *section, d *Device) {
	kind := l.lineKinds[d.Line]
	if d.Map == nil || kind == "" {
		return
	}
	at := s.table.at
	if e := s.table.find("map"); e != nil {
		at = e.value.at
	}
	if d.Map.Protocol != kind.protocol() {
		s.problem(at, "map", "use a map with the line's protocol, or another line",
			"line %q is %q, but the map's protocol is %q", d.Line, kind, d.Map.Protocol)
		return
	}
	for i := range l.site.Devices {
		o := &l.site.Devices[i]
		if o.Line == d.Line && o.Map != nil && o.Map.Text != nil && d.Map.Text != nil && (o.Map.Text.Listen || d.Map.Text.Listen) {
			s.problem(at, "map", "give each device that prints by itself a line of its own",
				"line %q has device %q already, and a map with mode = \"listen\" wants the line for itself", d.Line, o.Name)
			return
		}
	}
}

// measured reports a role whose value an instrument measures: what is set on the
// controller is as exact as its digits, and what is counted or is yes or no is not
// calibrated.
func measured(r scan.Role) bool {
	switch r {
	case "", scan.CutInSetting, scan.CutOutSetting, scan.MotorRunning, scan.LoadCommand, scan.Loaded, scan.Standby,
		scan.PurgeValve, scan.FaultCode, scan.RunHours, scan.LoadedHours, scan.StartCount:
		return false
	}
	return true
}

func (l *loader) warnIdleLines(root *section) {
	used := map[string]bool{}
	for i := range l.site.Devices {
		used[l.site.Devices[i].Line] = true
	}
	for i := range l.site.Lines {
		if name := l.site.Lines[i].Name; !used[name] {
			root.warn(l.lineNames[name], "line.name", "", "line %q has no device, so it will not be opened", name)
		}
	}
}

// device finds a device by name or reports that there is none.
func (l *loader) device(s *section, key, name string, at position) (*Device, bool) {
	for i := range l.site.Devices {
		if l.site.Devices[i].Name == name {
			return &l.site.Devices[i], true
		}
	}
	s.problem(at, key, l.deviceNames.mend(name), "there is no device %q", name)
	return nil, false
}

// channel finds a channel by its id or reports that there is none. A device
// whose map is unusable has been reported already.
func (l *loader) channel(s *section, key string, v *value) (*MapChannel, bool) {
	device, name, ok := scan.SplitID(v.text)
	if !ok {
		s.problem(v.at, key, `write "device.channel", like "controller.discharge_pressure"`, "%q is not a channel", v.text)
		return nil, false
	}
	d, ok := l.device(s, key, device, v.at)
	if !ok || d.Map == nil {
		return nil, false
	}
	var known []string
	for i := range d.Map.Channels {
		if d.Map.Channels[i].Name == name {
			return &d.Map.Channels[i], true
		}
		known = append(known, d.Map.Channels[i].Name)
	}
	if d.Map.partial {
		return nil, false
	}
	mend := "see the channels in " + d.Map.Path
	if near := quantity.Nearest(name, known); near != "" {
		mend = fmt.Sprintf("did you mean %q?", device+"."+near)
	}
	s.problem(v.at, key, mend, "device %q has no channel %q", device, name)
	return nil, false
}

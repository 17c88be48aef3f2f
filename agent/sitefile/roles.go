package sitefile

import (
	"fmt"
	"slices"
	"strings"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

// roleDimensions lists what a channel of the role may measure.
func roleDimensions(r scan.Role) []quantity.Dimension {
	switch r {
	case scan.DischargePressure, scan.SumpPressure, scan.ReceiverPressure, scan.HeaderPressure,
		scan.InletVacuum, scan.Barometer, scan.SeparatorDrop, scan.FilterDrop, scan.DryerDrop, scan.CutInSetting, scan.CutOutSetting:
		return []quantity.Dimension{quantity.Pressure}
	case scan.DischargeTemperature, scan.OilTemperature, scan.AmbientTemperature, scan.AftercoolerTemp,
		scan.WaterInTemperature, scan.WaterOutTemperature, scan.DewPoint:
		return []quantity.Dimension{quantity.Temperature}
	case scan.AmbientHumidity, scan.LoadFraction, scan.PowerFactor:
		return []quantity.Dimension{quantity.Ratio, quantity.Plain}
	case scan.MotorRunning, scan.LoadCommand, scan.Loaded, scan.Standby, scan.PurgeValve,
		scan.StartCount, scan.FaultCode:
		return []quantity.Dimension{quantity.Plain}
	case scan.Speed:
		return []quantity.Dimension{quantity.RotationSpeed, quantity.Ratio}
	case scan.DriveFrequency:
		return []quantity.Dimension{quantity.Frequency}
	case scan.MotorCurrent:
		return []quantity.Dimension{quantity.Current}
	case scan.VoltageAB, scan.VoltageBC, scan.VoltageCA:
		return []quantity.Dimension{quantity.Voltage}
	case scan.Power, scan.FanPower, scan.DryerPower:
		return []quantity.Dimension{quantity.Power}
	case scan.ApparentPower:
		return []quantity.Dimension{quantity.ApparentPower}
	case scan.Energy:
		return []quantity.Dimension{quantity.Energy}
	case scan.Flow:
		return []quantity.Dimension{quantity.Flow}
	case scan.Volume:
		return []quantity.Dimension{quantity.Volume}
	case scan.RunHours, scan.LoadedHours:
		return []quantity.Dimension{quantity.Duration}
	}
	return nil
}

// roleMismatch says why a channel with the unit cannot have the role, or "".
// A unit that could not be read has been reported and fits everything.
func roleMismatch(r scan.Role, u quantity.Unit) string {
	allowed := roleDimensions(r)
	if u == (quantity.Unit{}) || slices.Contains(allowed, u.Dimension) {
		return ""
	}
	words := make([]string, len(allowed))
	for i, a := range allowed {
		words[i] = a.String()
	}
	return fmt.Sprintf("role %q wants a unit of %s, but the channel's is one of %s", r, strings.Join(words, " or "), u.Dimension)
}

func roleMend(text string) string {
	var known []string
	for _, r := range scan.Roles() {
		known = append(known, string(r))
	}
	if near := quantity.Nearest(text, known); near != "" {
		return fmt.Sprintf("did you mean %q? A channel without a role is stored and plotted", near)
	}
	return "roles are " + strings.Join(known, ", ")
}

// filling is how a role of a machine came by its channel.
type filling struct {
	id       string
	explicit bool
	at       position
}

// roleFiller fills the roles of one machine. Explicit names beat "*"; two
// different channels of one rank for one role are a problem.
type roleFiller struct {
	loader *loader
	s      *section // the machine
	filled map[scan.Role]filling
	clash  map[scan.Role]filling // the second that "*" would have given
}

func (l *loader) fillRoles(s *section) map[scan.Role]string {
	f := &roleFiller{l, s, map[scan.Role]filling{}, map[scan.Role]filling{}}
	if t := s.sub("channels"); t != nil {
		for _, e := range t.table.entries {
			t.asked = append(t.asked, e.key)
			f.fromDevice(t, e)
		}
	}
	if t := s.sub("roles"); t != nil {
		for _, e := range t.table.entries {
			t.asked = append(t.asked, e.key)
			f.fromRole(t, e)
		}
	}
	roles := map[scan.Role]string{}
	for _, r := range scan.Roles() {
		got, ok := f.filled[r]
		if !ok {
			continue
		}
		if second, twice := f.clash[r]; twice && !got.explicit {
			f.twice(r, got, second)
		}
		roles[r] = got.id
		l.noteRole(s, r, got)
	}
	return roles
}

func (f *roleFiller) twice(r scan.Role, first, second filling) {
	f.s.problem(second.at, string(r), fmt.Sprintf("name the one that is meant: roles = { %s = %q }", r, first.id),
		"role %q is filled twice, by %s and by %s", r, first.id, second.id)
}

// put fills role r. Of two "*" the clash is kept until it is known whether an
// explicit name settles it.
func (f *roleFiller) put(r scan.Role, got filling) {
	old, taken := f.filled[r]
	switch {
	case !taken || got.explicit && !old.explicit:
		f.filled[r] = got
	case old.id == got.id || old.explicit && !got.explicit:
	case old.explicit:
		f.twice(r, old, got)
	default:
		f.clash[r] = got
	}
}

// fromDevice reads controller = "*" or meter = ["power", "energy"].
func (f *roleFiller) fromDevice(t *section, e entry) {
	device, ok := f.loader.device(t, e.key, e.key, e.at)
	if !ok {
		return
	}
	texts := t.texts(e.key)
	for _, v := range texts {
		if device.Map == nil {
			return // its file is already complained of
		}
		if v.text == "*" {
			for i := range device.Map.Channels {
				if c := &device.Map.Channels[i]; c.Role != "" {
					f.put(c.Role, filling{id: e.key + "." + c.Name, at: v.at})
				}
			}
			continue
		}
		c, why, mend := findChannel(device, v.text)
		if c == nil && device.Map.partial {
			continue
		}
		if c == nil {
			t.problem(v.at, e.key, mend, "%s", why)
			continue
		}
		if c.Role == "" {
			t.problem(v.at, e.key, fmt.Sprintf("give it one in the map, or write roles = { power = %q }", e.key+"."+c.Name),
				"channel %s.%s has no role in its map", e.key, c.Name)
			continue
		}
		f.put(c.Role, filling{id: e.key + "." + c.Name, explicit: true, at: v.at})
	}
}

// fromRole reads loaded = "inputs.c1_loaded".
func (f *roleFiller) fromRole(t *section, e entry) {
	role := scan.Role(e.key)
	if !role.Known() {
		t.problem(e.at, e.key, roleMend(e.key), "unknown role %q", e.key)
		return
	}
	if e.value.kind != kindText {
		t.wrongKind(e.value, e.key, kindText.String(), `write "device.channel"`)
		return
	}
	c, ok := f.loader.channel(t, e.key, e.value)
	if !ok || c == nil {
		return
	}
	if why := roleMismatch(role, c.Unit); why != "" {
		t.problem(e.value.at, e.key, "correct the unit in the map or the role", "%s", why)
		return
	}
	f.put(role, filling{id: e.value.text, explicit: true, at: e.value.at})
}

// findChannel finds a channel of a device by name, else by role.
func findChannel(d *Device, text string) (c *MapChannel, why, mend string) {
	var byRole []*MapChannel
	var known []string
	for i := range d.Map.Channels {
		c := &d.Map.Channels[i]
		if c.Name == text {
			return c, "", ""
		}
		if string(c.Role) == text {
			byRole = append(byRole, c)
		}
		known = append(known, c.Name)
	}
	switch len(byRole) {
	case 1:
		return byRole[0], "", ""
	case 0:
		mend = "see the channels in " + d.Map.Path
		if near := quantity.Nearest(text, known); near != "" {
			mend = fmt.Sprintf("did you mean %q?", near)
		}
		return nil, fmt.Sprintf("device %q has no channel %q", d.Name, text), mend
	}
	return nil, fmt.Sprintf("device %q has several channels with role %q", d.Name, text),
		fmt.Sprintf("name one of them: %q or %q", byRole[0].Name, byRole[1].Name)
}

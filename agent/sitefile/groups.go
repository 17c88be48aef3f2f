package sitefile

import (
	"math"
	"strconv"
	"time"

	"loadscribe/agent/scan"
)

// Groups returns the poll groups of every device in the order of the site:
// the channels of a device that share a period, in the order of its map. Their
// IDs are zero; the store gives them.
func Groups(s *Site) []*scan.Group {
	var groups []*scan.Group
	for i := range s.Devices {
		d := &s.Devices[i]
		if d.Map == nil {
			continue
		}
		byPeriod := map[time.Duration]*scan.Group{}
		for j := range d.Map.Channels {
			c := &d.Map.Channels[j]
			g := byPeriod[c.Every]
			if g == nil {
				g = &scan.Group{Device: d.Name, Name: periodName(c.Every), PeriodMS: c.Every.Milliseconds()}
				byPeriod[c.Every] = g
				groups = append(groups, g)
			}
			g.Channels = append(g.Channels, scan.Channel{
				Device: d.Name, Name: c.Name, Role: c.Role,
				Kind: c.Kind(), Bit: c.IsBit(),
				Scale: c.Scale, Offset: c.Offset, Unit: c.UnitText,
			})
		}
	}
	return groups
}

// periodName is the one name of a period, however it was written: "250ms",
// "1s", "60s".
func periodName(d time.Duration) string {
	if d%time.Second == 0 {
		return strconv.FormatInt(int64(d/time.Second), 10) + "s"
	}
	return strconv.FormatInt(d.Milliseconds(), 10) + "ms"
}

// Kind says how the channel's raw values are kept.
func (c *MapChannel) Kind() scan.Kind {
	switch c.Type {
	case "u64":
		return scan.KindUint
	case "f32":
		return scan.KindFloat32
	case "f64":
		return scan.KindFloat64
	case "decimal", "fixed":
		return scan.KindDecimal
	}
	return scan.KindInt
}

// ValidRange is the range outside which a value is implausible, in Unit, widened
// by what rounding can do to a value that lies exactly on its edge: 3 counts of
// 0.1 make 0.30000000000000004. given is false where any value will do.
func (c *MapChannel) ValidRange() (low, high float64, given bool) {
	if c.Valid == nil {
		return 0, 0, false
	}
	eps := 1e-12 // some thousand roundings of a float64
	if c.Kind() == scan.KindFloat32 {
		eps = 1e-7 // one rounding of a float32
	}
	slack := func(edge float64) float64 { return eps * (math.Abs(edge) + math.Abs(c.Offset)) }
	return c.Valid[0] - slack(c.Valid[0]), c.Valid[1] + slack(c.Valid[1]), true
}

// IsBit reports whether the value is 0 or 1 only.
func (c *MapChannel) IsBit() bool { return c.Type == "bit" || c.Bit >= 0 }

// MachineByName finds a machine.
func (s *Site) MachineByName(name string) (*Machine, bool) {
	for i := range s.Machines {
		if s.Machines[i].Name == name {
			return &s.Machines[i], true
		}
	}
	return nil, false
}

// DeviceByName finds a device.
func (s *Site) DeviceByName(name string) (*Device, bool) {
	for i := range s.Devices {
		if s.Devices[i].Name == name {
			return &s.Devices[i], true
		}
	}
	return nil, false
}

// LineByName finds a line.
func (s *Site) LineByName(name string) (*Line, bool) {
	for i := range s.Lines {
		if s.Lines[i].Name == name {
			return &s.Lines[i], true
		}
	}
	return nil, false
}

// Channel finds a channel and its device by the channel's id.
func (s *Site) Channel(id string) (*Device, *MapChannel, bool) {
	device, name, ok := scan.SplitID(id)
	if !ok {
		return nil, nil, false
	}
	d, ok := s.DeviceByName(device)
	if !ok || d.Map == nil {
		return nil, nil, false
	}
	for i := range d.Map.Channels {
		if d.Map.Channels[i].Name == name {
			return d, &d.Map.Channels[i], true
		}
	}
	return nil, nil, false
}

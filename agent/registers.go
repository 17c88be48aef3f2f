package agent

import (
	"fmt"

	"loadscribe/agent/poll"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/transfer"
)

// Registers is what stands in the devices now, as it came off the line.
type Registers struct {
	Time    Stamp             `json:"time"`
	Devices []DeviceRegisters `json:"devices"` // polled or listened to, in the site's order
}

// DeviceRegisters are the entries of one device's register map.
type DeviceRegisters struct {
	Device   string `json:"device"`
	Line     string `json:"line"`
	UnitID   int    `json:"unit_id"` // 0 on a text line
	Map      string `json:"map"`     // its name
	MapFile  string `json:"map_file"`
	Protocol string `json:"protocol"` // modbus or text
	// Verified tells what must stand in the device for the map to be its own.
	Verified  []string   `json:"verified"`
	Registers []Register `json:"registers"`
}

// Register is one entry of a map with what was last read of it.
type Register struct {
	ID       string    `json:"id"`
	Name     string    `json:"name"`
	Role     scan.Role `json:"role"`
	PeriodMS int64     `json:"period_ms"`
	// Where it stands. Function, Table, Address, Count and Order are of Modbus,
	// Ask of a text device: the question or print that has it.
	Function int    `json:"function,omitempty"`
	Table    string `json:"table,omitempty"`
	Address  *int   `json:"address,omitempty"` // zero-based
	Count    int    `json:"count,omitempty"`   // registers, or bits of coils and discrete inputs
	Ask      string `json:"ask,omitempty"`
	Type     string `json:"type"`
	Bit      *int   `json:"bit,omitempty"`
	// Order is which word stands first, big or little; of one word there is none.
	Order string `json:"order,omitempty"`
	// Value = Raw × Scale + Offset, in Unit.
	Scale  float64     `json:"scale"`
	Offset float64     `json:"offset"`
	Unit   string      `json:"unit"`
	Valid  *[2]float64 `json:"valid,omitempty"` // in Unit
	// Raw is the count before scale and offset, and Words are the registers' words
	// in the order of their addresses, in hexadecimal; empty where nothing came.
	Raw     string   `json:"raw"`
	Words   []string `json:"words"`
	Value   *float64 `json:"value"`   // null: no good one
	Quality string   `json:"quality"` // good, or why there is no value
	Time    Stamp    `json:"time"`    // of the last scan; null: none yet
	Stale   bool     `json:"stale"`   // that is more than three periods ago
}

// Registers returns what stands in the devices; device empty means all.
func (a *Agent) Registers(device string) Registers {
	mono, wall := a.clock.Now()
	all := Registers{Time: Stamp(wall), Devices: []DeviceRegisters{}}
	for i := range a.site.Devices {
		d := &a.site.Devices[i]
		if d.Map == nil || !a.site.Polled(d.Name) || device != "" && device != d.Name {
			continue
		}
		one := registersOf(d)
		a.board.each(a.groups, func(g *scan.Group, s *scan.Scan) {
			if g.Device != d.Name {
				return
			}
			for i := range one.Registers { // in the map's order, as d.Map.Channels
				if k := g.Index(one.Registers[i].Name); k >= 0 {
					one.Registers[i].read(&d.Map.Channels[i], g, s, k, mono)
				}
			}
		})
		all.Devices = append(all.Devices, one)
	}
	return all
}

// registersOf is a device's map without readings.
func registersOf(d *sitefile.Device) DeviceRegisters {
	one := DeviceRegisters{Device: d.Name, Line: d.Line, UnitID: int(d.UnitID), Map: d.Map.Name, MapFile: d.MapPath,
		Protocol: d.Map.Protocol, Verified: []string{}, Registers: []Register{}}
	for i := range d.Map.Verify {
		x := &d.Map.Verify[i]
		one.Verified = append(one.Verified, fmt.Sprintf("%s must hold %d", x.Place(), x.Equals))
	}
	for i := range d.Map.Channels {
		c := &d.Map.Channels[i]
		r := Register{ID: d.Name + "." + c.Name, Name: c.Name, Role: c.Role, PeriodMS: c.Every.Milliseconds(), Type: c.Type,
			Scale: c.Scale, Offset: c.Offset, Unit: c.UnitText, Valid: c.Valid, Words: []string{}}
		if c.Text != nil {
			r.Ask = c.Text.Source
		} else {
			address := int(c.Address)
			r.Function, r.Table, r.Address, r.Count = poll.Function(c.Table), string(c.Table), &address, c.Registers()
		}
		if c.Bit >= 0 {
			bit := c.Bit
			r.Bit = &bit
		}
		if r.Count > 1 {
			if r.Order = "big"; c.WordsLittle {
				r.Order = "little"
			}
		}
		one.Registers = append(one.Registers, r)
	}
	return one
}

// read enters what channel i of a group's last scan holds.
func (r *Register) read(mc *sitefile.MapChannel, g *scan.Group, s *scan.Scan, i int, nowMonoMS int64) {
	state := channelState(g, s, i, nowMonoMS)
	r.Value, r.Quality, r.Time, r.Stale = state.Value, state.Reason, state.Time, state.Stale
	if s == nil || i >= len(s.Values) {
		return
	}
	reason := s.ReasonOf(i)
	switch reason {
	case scan.Good, scan.Implausible, scan.Absent, scan.SensorFault: // what came is kept
		counts := g.Channels[i]
		counts.Scale, counts.Offset = 1, 0
		r.Raw = string(transfer.AppendValue(nil, &counts, s.Values[i]))
		words, _ := poll.Words(mc, s.Values[i], reason)
		for _, w := range words {
			r.Words = append(r.Words, fmt.Sprintf("%04X", w))
		}
	}
}

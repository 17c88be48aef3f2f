package poll

import (
	"cmp"
	"fmt"
	"slices"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Block is one read request and the channels that its answer holds.
type Block struct {
	Request frame.ReadRequest
	// Fields are in the order of their addresses.
	Fields []Field
}

// Field places one channel of the group in the answer to a block.
type Field struct {
	Channel int // index in the group's Channels
	Offset  int // registers (bits for coil and discrete) from the block's start
	Length  int // registers or bits
}

// end returns the offset behind the field's last register.
func (f Field) end() int { return f.Offset + f.Length }

// Plan returns the fewest requests that read all channels of g from d: the
// channels of one table in the order of their addresses, holes of up to
// RegisterMap.Bridge read along, at most 125 registers or 2000 bits a request,
// no value cut in two.
//
// It fails when a channel of the group is not in the device's map or reaches
// past address 65535.
func Plan(d *sitefile.Device, g *scan.Group) ([]Block, error) {
	return planOn(nil, d, g)
}

// planOn is Plan for a line, nil where it is not known. On a serial line a hole
// is read along only while that takes no longer than a request of its own.
func planOn(l *sitefile.Line, d *sitefile.Device, g *scan.Group) ([]Block, error) {
	byTable := make(map[sitefile.Table][]place)
	for i := range g.Channels {
		mc, err := mapChannel(d, g.Channels[i].Name)
		if err != nil {
			return nil, err
		}
		p := place{channel: i, from: int(mc.Address), length: mc.Registers()}
		if p.end() > 1<<16 {
			return nil, fmt.Errorf("device %q: channel %q reaches past address 65535: correct address or type in %s",
				d.Name, mc.Name, d.MapPath)
		}
		byTable[mc.Table] = append(byTable[mc.Table], p)
	}
	var blocks []Block
	for _, t := range []sitefile.Table{sitefile.Coil, sitefile.Discrete, sitefile.Input, sitefile.Holding} {
		blocks = append(blocks, planTable(t, byTable[t], min(d.Map.Bridge, worthBridging(l, t)))...)
		delete(byTable, t)
	}
	for t := range byTable {
		return nil, fmt.Errorf("device %q: table %q is not known: use coil, discrete, input or holding in %s",
			d.Name, t, d.MapPath)
	}
	return blocks, nil
}

// mapChannel finds a channel in the device's map.
func mapChannel(d *sitefile.Device, name string) (*sitefile.MapChannel, error) {
	for i := range d.Map.Channels {
		if d.Map.Channels[i].Name == name {
			return &d.Map.Channels[i], nil
		}
	}
	return nil, fmt.Errorf("device %q: channel %q is not in the map %s", d.Name, name, d.MapPath)
}

// place is where a channel lies in its table.
type place struct{ channel, from, length int }

func (p place) end() int { return p.from + p.length }

// planTable is greedy from the lowest address. That is the fewest possible:
// the request that holds the lowest channel cannot start later, and stretching
// it as far as it goes never makes another request longer.
func planTable(t sitefile.Table, places []place, bridge int) []Block {
	slices.SortFunc(places, func(a, b place) int {
		return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.length, b.length), cmp.Compare(a.channel, b.channel))
	})
	function, most := functionOf(t)
	var blocks []Block
	for len(places) > 0 {
		from, end, n := places[0].from, places[0].end(), 1
		for n < len(places) && places[n].from-end <= bridge && places[n].end()-from <= most {
			end = max(end, places[n].end())
			n++
		}
		blocks = append(blocks, newBlock(function, from, places[:n]))
		places = places[n:]
	}
	return blocks
}

func newBlock(function byte, from int, places []place) Block {
	b := Block{Fields: make([]Field, len(places))}
	end := from
	for i, p := range places {
		b.Fields[i] = Field{Channel: p.channel, Offset: p.from - from, Length: p.length}
		end = max(end, p.end())
	}
	b.Request = frame.ReadRequest{Function: function, Address: uint16(from), Quantity: uint16(end - from)}
	return b
}

// functionOf returns the read function of a table and the most that one
// request may ask for.
func functionOf(t sitefile.Table) (function byte, most int) {
	switch t {
	case sitefile.Coil:
		return frame.ReadCoils, frame.MaxBits
	case sitefile.Discrete:
		return frame.ReadDiscreteInputs, frame.MaxBits
	case sitefile.Holding:
		return frame.ReadHoldingRegisters, frame.MaxRegisters
	default:
		return frame.ReadInputRegisters, frame.MaxRegisters
	}
}

// Function returns the number of the Modbus function that reads a table.
func Function(t sitefile.Table) int {
	function, _ := functionOf(t)
	return int(function)
}

// pieces cuts the block at its holes. A block without holes comes back whole.
func (b *Block) pieces() []Block {
	var out []Block
	first, end := 0, 0
	cut := func(until int) {
		places := make([]place, 0, until-first)
		for _, f := range b.Fields[first:until] {
			places = append(places, place{f.Channel, int(b.Request.Address) + f.Offset, f.Length})
		}
		out = append(out, newBlock(b.Request.Function, places[0].from, places))
	}
	for i, f := range b.Fields {
		if i > 0 && f.Offset > end {
			cut(i)
			first = i
		}
		end = max(end, f.end())
	}
	cut(len(b.Fields))
	return out
}

package scan

import (
	"math"
	"strings"
)

// Kind says how the 64 raw bits of a value are to be read. The numbers are
// stored and never change their meaning.
type Kind uint8

// The kinds of raw value.
const (
	KindInt     Kind = 1 // two's complement integer counts (bit, u16, i16, u32, i32, i64, BCD)
	KindUint    Kind = 2 // unsigned 64-bit counts (u64)
	KindFloat32 Kind = 3 // IEEE 754 binary32 bits in the low half
	KindFloat64 Kind = 4 // IEEE 754 binary64 bits
	KindDecimal Kind = 5 // digits of a text: mantissa·256 + number of decimals (0-18)
)

// Channel is one value of one device, with all that is needed to read it.
type Channel struct {
	Device string
	Name   string
	Role   Role
	Kind   Kind
	// Bit is true when the value is 0 or 1 only.
	Bit bool
	// Scale and Offset give the value in Unit: value = counts·Scale + Offset.
	Scale, Offset float64
	// Unit is the map's unit as written, parsed by quantity; "1" for a plain
	// number.
	Unit string
}

// ID returns "device.channel".
func (c *Channel) ID() string { return c.Device + "." + c.Name }

// Counts returns raw as a number before scale and offset.
func (k Kind) Counts(raw int64) float64 {
	switch k {
	case KindUint:
		return float64(uint64(raw))
	case KindFloat32:
		return float64(math.Float32frombits(uint32(raw)))
	case KindFloat64:
		return math.Float64frombits(uint64(raw))
	case KindDecimal:
		return float64(raw>>8) / math.Pow10(int(raw&0xff))
	default:
		return float64(raw)
	}
}

// Value returns raw in the channel's Unit.
func (c *Channel) Value(raw int64) float64 {
	return c.Kind.Counts(raw)*c.Scale + c.Offset
}

// SplitID splits "device.channel" at its first dot; ok is false if there is
// none or a side is empty.
func SplitID(id string) (device, channel string, ok bool) {
	device, channel, ok = strings.Cut(id, ".")
	return device, channel, ok && device != "" && channel != ""
}

// Group is the channels of one device that are read together with one period.
// A Group is immutable once made; a changed map makes a new one.
type Group struct {
	// ID is given by the store; zero until registered.
	ID uint32
	// Device is the device's name in the site file.
	Device string
	// Name tells a device's groups apart: the period as written, "1s".
	Name string
	// PeriodMS is the time between two scans, in milliseconds, at least 1.
	PeriodMS int64
	Channels []Channel
}

// Index returns the place of the named channel, or -1.
func (g *Group) Index(name string) int {
	for i := range g.Channels {
		if g.Channels[i].Name == name {
			return i
		}
	}
	return -1
}

// GapMS is the longest time between two good scans that still counts as
// observed: three periods (design, section 4 rule 2).
func (g *Group) GapMS() int64 { return 3 * g.PeriodMS }

// DownAfter is how many scans in a row without values make a device down: as many
// missing ones make a gap.
const DownAfter = 3

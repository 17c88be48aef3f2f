package sitefile

import (
	"fmt"
	"math"
	"strconv"
)

// Expected is what a register must hold for a map to be the device's own: a
// type number, a version, a nameplate value.
type Expected struct {
	// Channel says where the value lies. Its name is for messages only.
	Channel MapChannel
	// Equals is the whole number that must stand there, as the type reads it.
	Equals int64
	// MapPath is the map that expects it.
	MapPath string
}

// Place names the register in words: "input register 40 (u16)".
func (x *Expected) Place() string {
	c := &x.Channel
	switch c.Table {
	case Coil:
		return fmt.Sprintf("coil %d", c.Address)
	case Discrete:
		return fmt.Sprintf("discrete input %d", c.Address)
	}
	return fmt.Sprintf("%s register %d (%s)", c.Table, c.Address, c.Type)
}

// verifyTypes are the types whose values can be told apart exactly.
var verifyTypes = []string{"bit", "u16", "i16", "u32", "i32", "bcd16", "bcd32"}

// maxExpected keeps what is asked of a device at its start a small matter.
const maxExpected = 16

// readVerify reads verify = [{ table, address, type, equals }, …].
func (s *section) readVerify(path string, reference bool) []Expected {
	var all []Expected
	sections := s.subs("verify")
	if len(sections) > maxExpected {
		s.problem(s.table.find("verify").at, "verify", fmt.Sprintf("keep the %d that tell the device best", maxExpected),
			"%d expected values are too many", len(sections))
		sections = sections[:maxExpected]
	}
	for i, v := range sections {
		x := Expected{MapPath: path, Channel: MapChannel{Name: fmt.Sprintf("verify_%d", i+1), Bit: -1, Scale: 1, UnitText: "1"}}
		c := &x.Channel
		c.Table, c.Address = v.registerAddress(reference)
		c.Type = "u16"
		if c.Table == Coil || c.Table == Discrete {
			c.Type = "bit"
		}
		c.Type = v.choice("type", c.Type, verifyTypes...)
		if isBit := c.Table == Coil || c.Table == Discrete; isBit != (c.Type == "bit") {
			v.problem(v.table.at, "type", `a coil or discrete input is a "bit", a register is not`, "%q does not fit table %q", c.Type, c.Table)
			continue
		}
		v.checkEnd(c)
		c.WordsLittle = v.choice("words", "big", "big", "little") == "little"
		if v.need("equals", "write the number that the register holds, like equals = 1234") != nil {
			low, high := valuesOf(c.Type)
			x.Equals = v.integer("equals", 0, low, high, "write the whole number that the register holds, before any scale")
		}
		v.done()
		all = append(all, x)
	}
	return all
}

// valuesOf is what whole numbers a type can hold.
func valuesOf(typ string) (low, high int64) {
	if typ == "u32" {
		return 0, math.MaxUint32
	}
	low, high, _ = rawRange(typ)
	return low, high
}

// readFaults reads faults = { 3 = "high discharge temperature", … }.
func (s *section) readFaults(c *MapChannel) {
	t := s.sub("faults")
	if t == nil {
		return
	}
	at := s.table.find("faults").at
	if _, isWhole := wholeTypes[c.Type]; !isWhole || c.Bit >= 0 || c.Scale != 1 || c.Offset != 0 || c.Signal != nil {
		s.problem(at, "faults", "give them to the channel that holds the code, without scale and offset",
			"fault codes are whole numbers as the register holds them")
		return
	}
	low, high := valuesOf(c.Type)
	c.Faults = map[int64]string{}
	for _, e := range t.table.entries {
		code, err := strconv.ParseInt(e.key, 0, 64)
		switch {
		case err != nil || code < low || code > high:
			t.problem(e.at, e.key, `write code and text, like 3 = "high discharge temperature"`, "%q cannot be a code in a %s", e.key, c.Type)
		case code == 0:
			t.problem(e.at, e.key, "leave it out", "code 0 means that there is no fault")
		case e.value.kind != kindText:
			t.wrongKind(e.value, e.key, kindText.String(), "put it in quotes")
		case e.value.text == "":
			t.problem(e.value.at, e.key, "write what the manual says, or leave the code out", "the text of code %d is empty", code)
		default:
			c.Faults[code] = e.value.text
		}
	}
}

// wholeTypes are the types whose raw values are whole numbers within 64 bits
// signed.
var wholeTypes = map[string]struct{}{"u16": {}, "i16": {}, "u32": {}, "i32": {}, "i64": {}, "bcd16": {}, "bcd32": {}}

// readInverted reads inverted, which turns a bit round: its value is 1 − raw,
// the raw value is kept as it is.
func (s *section) readInverted(c *MapChannel) {
	e := s.entry("inverted")
	if e == nil {
		return
	}
	switch {
	case e.value.kind != kindBool:
		s.wrongKind(e.value, "inverted", kindBool.String(), "write inverted = true")
	case e.value.text != "true":
	case !c.IsBit():
		s.problem(e.at, "inverted", "remove it, or turn the scale round: scale = -1", "only a bit can be inverted")
	default:
		c.Scale, c.Offset = -1, 1
	}
}

// Inverted reports whether the channel is a bit whose 0 means yes.
func (c *MapChannel) Inverted() bool { return c.IsBit() && c.Scale == -1 && c.Offset == 1 }

// Modulus is where a whole-number counter of the channel's type wraps to zero;
// 0 where none is expected: bits, signed, 64-bit and floating types.
func (c *MapChannel) Modulus() int64 {
	if c.IsBit() {
		return 0
	}
	switch c.Type {
	case "u16":
		return 1 << 16
	case "u32":
		return 1 << 32
	case "bcd16":
		return 10_000
	case "bcd32":
		return 100_000_000
	}
	return 0
}

package sitefile

import (
	"errors"
	"math"
	"time"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
)

const (
	shortestPeriod = 50 * time.Millisecond
	longestPeriod  = 24 * time.Hour
	periodMend     = `write it like "250ms", "1s" or "60s"; from 50 ms to a day, in whole milliseconds`
	defaultBridge  = 8
	// maxBridge: a request carries at most 125 registers, two of which are
	// wanted where there is a hole.
	maxBridge = 123
)

var registerTypes = []string{"bit", "u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bcd16", "bcd32"}

// readMap reads the register map at path. The map is nil where the file is no
// TOML; otherwise it holds every channel whose name is sound, so that
// references to it can be checked.
func readMap(path string, data []byte, found *findings) *RegisterMap {
	found.files = append(found.files, path)
	doc, err := parseDocument(data)
	if err != nil {
		found.problems = append(found.problems, syntaxProblem(path, err))
		return nil
	}
	root := &section{file: path, found: found, table: doc}
	m := &RegisterMap{Path: path}
	m.Name = root.text("name", "")
	m.Protocol = root.choice("protocol", "modbus", "modbus", "text", "file")
	switch m.Protocol {
	case "text":
		readTextMap(root, m)
	case "file":
		readFileMap(root, m)
	default:
		readModbusMap(root, m)
	}
	return m
}

func readModbusMap(root *section, m *RegisterMap) {
	reference := root.choice("addressing", "zero-based", "zero-based", "reference") == "reference"
	m.Bridge = int(root.integer("bridge", defaultBridge, 0, maxBridge, "write how many unused registers may be read along, 0 for none"))
	m.Verify = root.readVerify(m.Path, reference)
	channels := root.subs("channel")
	root.done()
	if len(channels) == 0 {
		root.problem(position{}, "channel", "add [[channel]] with name, table, address and type", "the map has no channel")
	}
	m.readChannels(channels, func(s *section) MapChannel { return readChannel(s, reference) })
}

// readChannels keeps the channels whose names are sound.
func (m *RegisterMap) readChannels(sections []*section, read func(*section) MapChannel) {
	seen := names{}
	for _, s := range sections {
		c := read(s)
		if c.Name != "" && seen.add(s, "name", c.Name) {
			m.Channels = append(m.Channels, c)
		} else {
			m.partial = true
		}
	}
}

func syntaxProblem(path string, err error) Problem {
	p := Problem{File: path, Line: 1, Col: 1, Message: err.Error()}
	var se *syntaxError
	if errors.As(err, &se) {
		p.Line, p.Col, p.Mend = se.at.line, se.at.col, se.mend
	}
	return p
}

func readChannel(s *section, reference bool) MapChannel {
	c := MapChannel{Name: s.ident("name", `name the channel, like name = "discharge_pressure"`), Bit: -1}
	c.Table, c.Address = s.registerAddress(reference)
	s.readType(&c)
	s.checkEnd(&c)
	c.WordsLittle = s.choice("words", "big", "big", "little") == "little"
	s.readScaling(&c)
	s.readSignal(&c)
	s.readInverted(&c)
	s.readFaults(&c)
	c.Role = s.role("role", c.Unit)
	c.Absent = s.absentCodes(c.Type)
	c.Every = s.period("every", 0)
	if c.IsBit() {
		s.refuseOnBits()
	}
	s.done()
	return c
}

// readType reads type and bit, which must fit each other and the table.
func (s *section) readType(c *MapChannel) {
	bitTable := c.Table == Coil || c.Table == Discrete
	c.Type = "u16"
	if bitTable {
		c.Type = "bit"
	}
	given := s.choice("type", "", registerTypes...)
	if given != "" {
		c.Type = given
	} else if s.table.find("type") == nil && !bitTable {
		s.problem(s.table.at, "type", "write one of "+quotedList(registerTypes), "\"type\" is missing")
	}
	bit := s.integer("bit", -1, 0, 15, "bits of a register are 0 (least) to 15; bits above are in the next register")
	e := s.table.find("bit")
	switch {
	case bitTable && e != nil:
		s.problem(e.at, "bit", "remove it", "a %s is a single bit and has no bits in it", c.Table)
	case bitTable && c.Type != "bit":
		s.problem(s.table.find("type").value.at, "type", `write type = "bit" or remove it`, "a %s is a single bit, not %q", c.Table, c.Type)
		c.Type = "bit"
	case bitTable:
	case e != nil && c.Type != "bit" && c.Type != "u16" && c.Type != "i16":
		s.problem(e.at, "bit", `write type = "u16" and the address of the register that holds the bit`, "a bit cannot be taken from %q", c.Type)
	case e == nil && c.Type == "bit":
		s.problem(s.table.find("type").value.at, "type", "add bit = 0 to 15", "which bit of the register is meant is missing")
	case e != nil:
		c.Bit = int(bit)
	}
}

// checkEnd refuses a value whose last register lies past the table's end.
func (s *section) checkEnd(c *MapChannel) {
	last := int(c.Address) + c.Registers() - 1
	if e := s.table.find("address"); e != nil && last > math.MaxUint16 {
		s.problem(e.value.at, "address", "the last address of a table is 65535",
			"the last register of a %s at %d is %d, past 65535", c.Type, c.Address, last)
	}
}

func (s *section) readScaling(c *MapChannel) {
	c.Scale = s.number("scale", 1)
	c.Offset = s.number("offset", 0)
	if c.Scale == 0 {
		s.problem(s.table.find("scale").value.at, "scale", "leave it out for 1", "a scale of 0 makes every value the same")
		c.Scale = 1
	}
	c.UnitText = s.text("unit", "1")
	var err error
	if c.Unit, err = quantity.ParseUnit(c.UnitText); err != nil {
		s.problem(s.table.find("unit").value.at, "unit", "", "%v", err)
	}
	e := s.entry("valid")
	if e == nil {
		return
	}
	if e.value.kind != kindList || len(e.value.list) != 2 {
		s.problem(e.value.at, "valid", "write valid = [least, greatest] in the channel's unit", "two numbers are wanted")
		return
	}
	low, okLow := s.finite(e.value.list[0], "valid")
	high, okHigh := s.finite(e.value.list[1], "valid")
	if !okLow || !okHigh {
		return
	}
	if low >= high {
		s.problem(e.value.at, "valid", "write the least value first, then the greatest", "the range from %g to %g is reversed or empty", low, high)
		return
	}
	c.Valid = &[2]float64{low, high}
}

// refuseOnBits reports keys that mean nothing for a single bit.
func (s *section) refuseOnBits() {
	for _, key := range []string{"scale", "offset", "valid", "absent", "words", "signal", "points", "unit"} {
		e := s.table.find(key)
		if e == nil || key == "unit" && e.value.text == "1" {
			continue
		}
		s.problem(e.at, key, "remove it", "a single bit is 0 or 1 and takes no %q", key)
	}
}

// period reads how often to poll; zero where it is left out and fallback is
// zero.
func (s *section) period(key string, fallback time.Duration) time.Duration {
	d := s.duration(key, fallback, shortestPeriod, periodMend)
	if d%time.Millisecond != 0 || d > longestPeriod {
		s.problem(s.table.find(key).value.at, key, periodMend, "%v is not a period for polling", d)
		return fallback
	}
	return d
}

// role reads a role of the fixed list that fits the unit.
func (s *section) role(key string, u quantity.Unit) scan.Role {
	text := s.text(key, "")
	if text == "" {
		return ""
	}
	at := s.table.find(key).value.at
	role := scan.Role(text)
	if !role.Known() {
		s.problem(at, key, roleMend(text), "unknown role %q", text)
		return ""
	}
	if why := roleMismatch(role, u); why != "" {
		s.problem(at, key, "correct the unit or the role", "%s", why)
		return ""
	}
	return role
}

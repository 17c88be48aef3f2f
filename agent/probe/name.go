package probe

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"loadscribe/agent/sitefile"
)

// Name is what a person recognised: one channel of a register map.
type Name struct {
	Table   sitefile.Table
	Address uint16
	Bit     int // of a register; -1: the whole
	Channel string
	Type    string // empty: u16, or bit
	Little  bool   // low word first
	Scale   float64
	Unit    string
}

// errNameForm is the mend of a name that cannot be read.
var errNameForm = errors.New(`write ADDRESS=NAME, ADDRESS.BIT=NAME or ADDRESS=NAME:TYPE:SCALE:UNIT, ` +
	`like "0=discharge_pressure:u16:0.1:psi", "20.1=loaded" or "holding:8=power:f32-little:1:kW"`)

// types are those that a name may have; "-little" may follow the longer ones.
var types = []string{"u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bcd16", "bcd32", "bit"}

// ParseName reads a name as it is given on the command line. table is the one
// meant where the text names none; empty makes the table's name needed.
func ParseName(text string, table sitefile.Table) (Name, error) {
	place, rest, ok := strings.Cut(text, "=")
	if !ok {
		return Name{}, fmt.Errorf("name %q: %w", text, errNameForm)
	}
	fields := strings.SplitN(rest, ":", 4)
	n, err := NameOf(append([]string{place}, fields...), table)
	if err != nil {
		return Name{}, fmt.Errorf("name %q: %w", text, err)
	}
	return n, nil
}

// NameOf reads a name from its parts: place, name, type, scale, unit. The last
// three may be left out.
func NameOf(fields []string, table sitefile.Table) (Name, error) {
	for i := range fields {
		fields[i] = strings.TrimSpace(fields[i])
	}
	if len(fields) < 2 || len(fields) > 5 || fields[1] == "" {
		return Name{}, errNameForm
	}
	n := Name{Table: table, Bit: -1, Channel: fields[1], Scale: 1, Unit: "1"}
	if err := n.place(fields[0]); err != nil {
		return n, err
	}
	if len(fields) > 2 && fields[2] != "" {
		if err := n.kind(fields[2]); err != nil {
			return n, err
		}
	}
	if len(fields) > 3 && fields[3] != "" {
		scale, err := strconv.ParseFloat(fields[3], 64)
		if err != nil || scale == 0 || scale-scale != 0 {
			return n, fmt.Errorf("scale %q is no number above or below 0; value = raw × scale", fields[3])
		}
		n.Scale = scale
	}
	if len(fields) > 4 && fields[4] != "" {
		n.Unit = fields[4]
	}
	return n, n.check()
}

// place reads "20", "20.1", "holding:20".
func (n *Name) place(text string) error {
	if table, rest, ok := strings.Cut(text, ":"); ok {
		n.Table, text = sitefile.Table(table), rest
	}
	if n.Table == "" {
		return errors.New(`say which table is meant, like "input:0=…", where several are shown`)
	}
	if _, err := functionOf(n.Table); err != nil {
		return err
	}
	address, bit, hasBit := strings.Cut(text, ".")
	at, err := strconv.ParseUint(address, 10, 16)
	if err != nil {
		return fmt.Errorf("address %q is no number from 0 to 65535", address)
	}
	n.Address = uint16(at)
	if !hasBit {
		return nil
	}
	which, err := strconv.ParseUint(bit, 10, 8)
	if err != nil || which > 15 {
		return fmt.Errorf("bit %q: bits of a register are 0 (least) to 15", bit)
	}
	n.Bit = int(which)
	return nil
}

// kind reads "u32" and "u32-little".
func (n *Name) kind(text string) error {
	name, little := strings.CutSuffix(strings.ToLower(text), "-little")
	name = strings.TrimSuffix(name, "-big")
	if !slices.Contains(types, name) {
		return fmt.Errorf("type %q is none of %s; the longer ones take -little behind them where the low word comes first", text, strings.Join(types, ", "))
	}
	n.Type, n.Little = name, little
	return nil
}

func (n *Name) check() error {
	bits := n.Table == sitefile.Coil || n.Table == sitefile.Discrete
	switch {
	case bits && (n.Bit >= 0 || n.Type != "" && n.Type != "bit"):
		return fmt.Errorf("a %s is a single bit: write only ADDRESS=NAME", n.Table)
	case n.Bit >= 0 && n.Type != "" && n.Type != "bit" && n.Type != "u16":
		return fmt.Errorf("a bit of a register has no type %q", n.Type)
	case !bits && n.Bit < 0 && n.Type == "bit":
		return errors.New("say which bit: ADDRESS.BIT=NAME")
	case (bits || n.Bit >= 0) && (n.Scale != 1 || n.Unit != "1"):
		return errors.New("a single bit is 0 or 1 and takes no scale and no unit")
	}
	if n.Type == "" || n.Type == "bit" {
		n.Type = "u16"
		if bits {
			n.Type = "bit"
		}
	}
	return nil
}

// registers is how many places the value takes.
func (n *Name) registers() int {
	c := sitefile.MapChannel{Table: n.Table, Type: n.Type}
	return c.Registers()
}

// Within returns an error where the value lies on a place that was looked at
// and is not there.
func (n *Name) Within(r *Range) error {
	if r.Table != n.Table {
		return nil
	}
	for at := int(n.Address); at < int(n.Address)+n.registers(); at++ {
		i := at - int(r.From)
		if i >= 0 && i < len(r.Cells) && !r.Cells[i].Here {
			return fmt.Errorf("%s: %s %d cannot be read (%s)", n.Channel, n.Table, at, r.Cells[i].Why)
		}
	}
	return nil
}

package sitefile

import (
	"fmt"
	"math"
	"strconv"
)

const referenceForm = `numbers of manuals are 1-9999 or "000001" (coils), 10001 or 100001 (discrete inputs), ` +
	`30001 or 300001 (input registers), 40001 or 400001 (holding registers)`

// registerAddress reads table and address and returns them zero-based.
// Mistakes give address 0 of the table, holding where that is not known.
func (s *section) registerAddress(reference bool) (Table, uint16) {
	tables := []string{string(Coil), string(Discrete), string(Input), string(Holding)}
	given := Table(s.choice("table", "", tables...))
	if given == "" && s.table.find("table") == nil && !reference {
		s.problem(s.table.at, "table", "write one of "+quotedList(tables), "\"table\" is missing")
	}
	fallback := given
	if fallback == "" {
		fallback = Holding
	}
	e := s.need("address", "write the register's address")
	if e == nil {
		return fallback, 0
	}
	if !reference {
		if e.value.kind != kindInteger {
			s.wrongKind(e.value, "address", kindInteger.String(), "write it without quotes, from 0 to 65535")
			return fallback, 0
		}
		if n := e.value.integer; n < 0 || n > math.MaxUint16 {
			s.problem(e.value.at, "address", zeroBasedMend(n), "address %d is outside 0 to 65535", n)
			return fallback, 0
		}
		return fallback, uint16(e.value.integer)
	}
	if e.value.kind != kindInteger && e.value.kind != kindText {
		s.wrongKind(e.value, "address", kindInteger.String(), referenceForm)
		return fallback, 0
	}
	table, address, err := parseReference(e.value.text)
	if err != nil {
		s.problem(e.value.at, "address", referenceForm, "%v", err)
		return fallback, 0
	}
	if given != "" && given != table {
		s.problem(e.value.at, "address", "correct the address, or remove \"table\"",
			"reference %s is in table %q, but table = %q is written", e.value.text, table, given)
	}
	return table, address
}

// zeroBasedMend helps who copied a number out of a manual.
func zeroBasedMend(n int64) string {
	if n > math.MaxUint16 {
		if t, a, err := parseReference(strconv.FormatInt(n, 10)); err == nil {
			return fmt.Sprintf("write table = %q and address = %d, or addressing = \"reference\" at the top of the map", t, a)
		}
	}
	return "zero-based addresses are 0 to 65535"
}

// parseReference reads a 1-based number as manuals print it: the first digit
// names the table, four or five digits follow. Five digits reach 9999 places,
// six digits all 65536. Numbers without a leading zero below 10000 are coils.
func parseReference(text string) (Table, uint16, error) {
	n, err := strconv.ParseUint(text, 10, 32)
	if err != nil {
		return "", 0, fmt.Errorf("%q is not a reference number", text)
	}
	digits := len(text)
	base := uint64(10_000)
	switch {
	case digits <= 4:
	case digits == 5:
		if n%base == 0 {
			return "", 0, fmt.Errorf("reference numbers begin at 1, and %s is one below", text)
		}
	case digits == 6:
		base = 100_000
	default:
		return "", 0, fmt.Errorf("reference %s has more than six digits", text)
	}
	place := n % base
	table, ok := map[uint64]Table{0: Coil, 1: Discrete, 3: Input, 4: Holding}[n/base]
	switch {
	case !ok:
		return "", 0, fmt.Errorf("reference %s is in no table", text)
	case place == 0:
		return "", 0, fmt.Errorf("reference numbers begin at 1, and %s is one below", text)
	case place > math.MaxUint16+1:
		return "", 0, fmt.Errorf("reference %s is past the table's end, which is address 65535", text)
	}
	return table, uint16(place - 1), nil
}

// absentCodes reads the codes that mean "no value", as raw values of the type.
// A code above the greatest value of a signed type is taken as its bits, as
// manuals print them: 0x8000 of an i16 is -32768.
func (s *section) absentCodes(typ string) []int64 {
	e := s.entry("absent")
	if e == nil {
		return nil
	}
	list := []*value{e.value}
	if e.value.kind == kindList {
		list = e.value.list
	}
	var codes []int64
	for _, v := range list {
		if v.kind != kindInteger {
			s.wrongKind(v, "absent", kindInteger.String(), "write the raw codes, like absent = [65535] or [0x8000]")
			continue
		}
		low, high, bits := rawRange(typ)
		code := v.integer
		if bits > 0 && code > high && code < 1<<bits {
			code -= 1 << bits
		}
		if code < low || code > high {
			s.problem(v.at, "absent", "write raw codes, before scale and offset", "%d cannot be the raw value of a %s", v.integer, typ)
			continue
		}
		codes = append(codes, code)
	}
	return codes
}

// rawRange is what raw values of a type can be; bits is the width of a signed
// type whose codes may be written as bits.
func rawRange(typ string) (low, high int64, bits uint) {
	switch typ {
	case "bit":
		return 0, 1, 0
	case "i16":
		return math.MinInt16, math.MaxInt16, 16
	case "i32":
		return math.MinInt32, math.MaxInt32, 32
	case "u32", "f32":
		return 0, math.MaxUint32, 0
	case "i64", "f64", "u64":
		return math.MinInt64, math.MaxInt64, 0 // the 64 raw bits
	case "bcd16":
		return 0, 9999, 0
	case "bcd32":
		return 0, 99_999_999, 0
	}
	return 0, math.MaxUint16, 0
}

package poll

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// decodeOne decodes one channel that is alone in its block.
func decodeOne(t *testing.T, mc sitefile.MapChannel, payload []byte) (int64, scan.Reason, *scan.Group) {
	t.Helper()
	d, g := mapOf(0, time.Second, mc)
	dec, err := NewDecoder(d, g)
	if err != nil {
		t.Fatal(err)
	}
	blocks, err := Plan(d, g)
	if err != nil {
		t.Fatal(err)
	}
	values, quality := make([]int64, 1), make([]scan.Reason, 1)
	if err := dec.Decode(blocks[0], payload, values, quality); err != nil {
		t.Fatal(err)
	}
	return values[0], quality[0], g
}

// Golden vectors. Basis of the words: two's complement and binary-coded decimal
// by definition; floats by IEEE 754-2008 (from memory); the first two are the
// registers printed in Modbus Application Protocol V1.1b3, 6.3 and 6.4 (555 and
// 10 decimal; 6.3 read, 6.4 from memory).
func TestDecodeVectors(t *testing.T) {
	f32 := func(v float32) int64 { return int64(math.Float32bits(v)) }
	f64 := func(v float64) int64 { return int64(math.Float64bits(v)) }
	tests := []struct {
		typ, words string
		payload    string
		raw        int64
		number     float64
	}{
		{"u16", "big", "022B", 555, 555},
		{"u16", "big", "000A", 10, 10},
		{"u16", "little", "FFFF", 65535, 65535},
		{"i16", "big", "FFFF", -1, -1},
		{"i16", "big", "8000", -32768, -32768},
		{"i16", "little", "7FFF", 32767, 32767},
		{"u32", "big", "00010002", 0x10002, 65538},
		{"u32", "little", "00020001", 0x10002, 65538},
		{"u32", "big", "FFFFFFFF", math.MaxUint32, 4294967295},
		{"i32", "big", "FFFFFFFE", -2, -2},
		{"i32", "little", "FFFEFFFF", -2, -2},
		{"i32", "big", "80000000", math.MinInt32, -2147483648},
		{"u64", "big", "0001000200030004", 0x1000200030004, 281483566841860},
		{"u64", "little", "0004000300020001", 0x1000200030004, 281483566841860},
		{"u64", "big", "FFFFFFFFFFFFFFFF", -1, 18446744073709551615},
		{"i64", "big", "FFFFFFFFFFFFFFFD", -3, -3},
		{"i64", "little", "FFFDFFFFFFFFFFFF", -3, -3},
		{"f32", "big", "3F800000", f32(1), 1},
		{"f32", "little", "00003F80", f32(1), 1},
		{"f32", "big", "C2F6E979", f32(-123.456), float64(float32(-123.456))},
		{"f32", "little", "0FDB4049", f32(math.Pi), float64(float32(math.Pi))},
		{"f64", "big", "3FF0000000000000", f64(1), 1},
		{"f64", "big", "400921FB54442D18", f64(math.Pi), math.Pi},
		{"f64", "little", "2D185444" + "21FB4009", f64(math.Pi), math.Pi},
		{"bcd16", "big", "1234", 1234, 1234},
		{"bcd16", "little", "9999", 9999, 9999},
		{"bcd32", "big", "12345678", 12345678, 12345678},
		{"bcd32", "little", "56781234", 12345678, 12345678},
	}
	for _, tt := range tests {
		t.Run(tt.typ+" "+tt.words+" "+tt.payload, func(t *testing.T) {
			mc := ch("a", sitefile.Holding, 7, tt.typ)
			mc.WordsLittle = tt.words == "little"
			payload, err := hex.DecodeString(tt.payload)
			if err != nil {
				t.Fatal(err)
			}
			raw, reason, g := decodeOne(t, mc, payload)
			if raw != tt.raw || reason != scan.Good || g.Channels[0].Value(raw) != tt.number {
				t.Errorf("got %d (%v), number %v; want %d, number %v", raw, reason, g.Channels[0].Value(raw), tt.raw, tt.number)
			}
		})
	}
}

// TestDecodeBits holds coils and discrete inputs to the example of Modbus
// Application Protocol V1.1b3, 6.1 (from memory): CD 6B 05 are coils 20 to 38,
// printed as states from the highest of each byte down to the lowest.
func TestDecodeBits(t *testing.T) {
	const printed = "1100_1101 0110_1011 101" // coils 27-20, 35-28, 38-36
	states := make([]int64, 0, 19)
	for _, group := range strings.Fields(strings.ReplaceAll(printed, "_", "")) {
		for i := len(group) - 1; i >= 0; i-- {
			states = append(states, int64(group[i]-'0'))
		}
	}
	for _, table := range []sitefile.Table{sitefile.Coil, sitefile.Discrete} {
		var channels []sitefile.MapChannel
		for i := range states {
			channels = append(channels, ch(fmt.Sprint(i), table, 19+i, "bit"))
		}
		d, g := mapOf(0, time.Second, channels...)
		dec, err := NewDecoder(d, g)
		if err != nil {
			t.Fatal(err)
		}
		blocks, _ := Plan(d, g)
		values, quality := make([]int64, len(states)), make([]scan.Reason, len(states))
		if err := dec.Decode(blocks[0], []byte{0xCD, 0x6B, 0x05}, values, quality); err != nil {
			t.Fatal(err)
		}
		for i := range states {
			if values[i] != states[i] || quality[i] != scan.Good {
				t.Errorf("%s %d: got %d (%v), want %d", table, 19+i, values[i], quality[i], states[i])
			}
		}
	}
}

func TestDecodeBitOfRegister(t *testing.T) {
	for bit := range 16 {
		mc := ch("a", sitefile.Holding, 20, "u16")
		mc.Bit = bit
		payload := binary.BigEndian.AppendUint16(nil, 1<<bit)
		if raw, reason, _ := decodeOne(t, mc, payload); raw != 1 || reason != scan.Good {
			t.Errorf("bit %d of % X: got %d (%v), want 1", bit, payload, raw, reason)
		}
		payload = binary.BigEndian.AppendUint16(nil, ^uint16(1<<bit))
		if raw, _, _ := decodeOne(t, mc, payload); raw != 0 {
			t.Errorf("bit %d of % X: got %d, want 0", bit, payload, raw)
		}
	}
	mc := ch("a", sitefile.Holding, 20, "u32")
	mc.Bit, mc.WordsLittle = 17, true
	if raw, _, _ := decodeOne(t, mc, []byte{0, 0, 0, 2}); raw != 1 {
		t.Errorf("bit 17 of a little u32: got %d, want 1", raw)
	}
}

func TestDecodeQuality(t *testing.T) {
	type edit func(*sitefile.MapChannel)
	valid := func(lo, hi float64) edit { return func(c *sitefile.MapChannel) { c.Valid = &[2]float64{lo, hi} } }
	scaled := func(s, o float64) edit { return func(c *sitefile.MapChannel) { c.Scale, c.Offset = s, o } }
	absent := func(codes ...int64) edit { return func(c *sitefile.MapChannel) { c.Absent = codes } }
	bit := func(n int) edit { return func(c *sitefile.MapChannel) { c.Bit = n } }
	edits := func(e ...edit) []edit { return e }
	tests := []struct {
		name    string
		typ     string
		edits   []edit
		payload string
		raw     int64
		want    scan.Reason
	}{
		{"inside", "u16", edits(valid(0, 250), scaled(0.1, 0)), "0400", 1024, scan.Good},
		{"on the upper edge", "u16", edits(valid(0, 0.3), scaled(0.1, 0)), "0003", 3, scan.Good},
		{"on the lower edge", "i16", edits(valid(-0.3, 1), scaled(0.1, 0)), "FFFD", -3, scan.Good},
		{"on an edge that an offset makes", "u16", edits(valid(0, 100), scaled(0.1, -459.7)), "11F5", 4597, scan.Good},
		{"one count above", "u16", edits(valid(0, 0.3), scaled(0.1, 0)), "0004", 4, scan.Implausible},
		{"one count below", "i16", edits(valid(-0.3, 1), scaled(0.1, 0)), "FFFC", -4, scan.Implausible},
		{"one count in four milliards", "u32", edits(valid(0, 4294967294)), "FFFFFFFF", math.MaxUint32, scan.Implausible},
		{"float on an edge it cannot hold", "f32", edits(valid(0, 250.1)), "437A199A", 0x437A199A, scan.Good},
		{"float outside", "f32", edits(valid(0, 250)), "437B0000", 0x437B0000, scan.Implausible},
		{"not a number", "f32", nil, "7FC00000", 0x7FC00000, scan.Implausible},
		{"infinite", "f32", nil, "FF800000", 0xFF800000, scan.Implausible},
		{"not a number, f64", "f64", nil, "7FF8000000000000", 0x7FF8000000000000, scan.Implausible},
		{"infinite, f64", "f64", nil, "7FF0000000000000", 0x7FF0000000000000, scan.Implausible},
		{"absent", "u16", edits(absent(65535)), "FFFF", 65535, scan.Absent},
		{"absent goes before valid", "u16", edits(absent(65535), valid(0, 10)), "FFFF", 65535, scan.Absent},
		{"absent, unsigned code of a signed type", "i16", edits(absent(32768)), "8000", -32768, scan.Absent},
		{"absent, signed code of an unsigned type", "u32", edits(absent(-1)), "FFFFFFFF", math.MaxUint32, scan.Absent},
		{"absent of four words", "u64", edits(absent(-1)), "FFFFFFFFFFFFFFFF", -1, scan.Absent},
		{"second code", "i32", edits(absent(1, -2147483648)), "80000000", math.MinInt32, scan.Absent},
		{"absent float by its number", "f32", edits(absent(-9999)), "C61C3C00", 0xC61C3C00, scan.Absent},
		{"absent float by its bits", "f32", edits(absent(0x7FC00000)), "7FC00000", 0x7FC00000, scan.Absent},
		{"absent register of a bit", "u16", edits(bit(3), absent(65535)), "FFFF", 1, scan.Absent},
		{"bit beside the code", "u16", edits(bit(3), absent(65535)), "FFF7", 0, scan.Good},
		{"digit above nine", "bcd16", nil, "12A4", 0x12A4, scan.Implausible},
		{"first digit above nine", "bcd32", nil, "F2345678", 0xF2345678, scan.Implausible},
		{"absent digits", "bcd16", edits(absent(9999)), "9999", 9999, scan.Absent},
		{"absent plain bits", "bcd16", edits(absent(65535)), "FFFF", 65535, scan.Absent},
		{"digits whose bits are a code's", "bcd16", edits(absent(0x0100)), "0100", 100, scan.Good},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			mc := ch("a", sitefile.Holding, 0, tt.typ)
			for _, e := range tt.edits {
				e(&mc)
			}
			payload, err := hex.DecodeString(tt.payload)
			if err != nil {
				t.Fatal(err)
			}
			if raw, reason, _ := decodeOne(t, mc, payload); raw != tt.raw || reason != tt.want {
				t.Errorf("%s: got %d (%v), want %d (%v)", tt.payload, raw, reason, tt.raw, tt.want)
			}
		})
	}
}

func TestDecoderErrors(t *testing.T) {
	tests := []struct {
		name string
		edit func(*sitefile.MapChannel, *scan.Group)
		want string
	}{
		{"unknown type", func(c *sitefile.MapChannel, _ *scan.Group) { c.Type = "u24" }, `type "u24" is not known`},
		{"number in a coil", func(c *sitefile.MapChannel, _ *scan.Group) { c.Table = sitefile.Coil }, `type "u16" does not fit table "coil"`},
		{"bit too high", func(c *sitefile.MapChannel, _ *scan.Group) { c.Bit = 16 }, `bit 16 of type "u16"`},
		{"bit of a float", func(c *sitefile.MapChannel, _ *scan.Group) { c.Type, c.Bit = "f32", 2 }, `bit 2 of type "f32"`},
		{"bit without a place", func(c *sitefile.MapChannel, _ *scan.Group) { c.Type = "bit" }, `bit -1 of type "bit"`},
		{"code too long", func(c *sitefile.MapChannel, _ *scan.Group) { c.Absent = []int64{65536} }, "absent code 65536 does not fit into 16 bits"},
		{"code too low", func(c *sitefile.MapChannel, _ *scan.Group) { c.Absent = []int64{-32769} }, "absent code -32769 does not fit"},
		{"group of another kind", func(_ *sitefile.MapChannel, g *scan.Group) { g.Channels[0].Kind = scan.KindFloat32 }, "the group says kind 3"},
	}
	for _, tt := range tests {
		d, g := mapOf(0, time.Second, ch("a", sitefile.Input, 0, "u16"))
		tt.edit(&d.Map.Channels[0], g)
		_, err := NewDecoder(d, g)
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), `channel "a"`) {
			t.Errorf("%s: got %v, want %q and the channel's name", tt.name, err, tt.want)
		}
	}
	d, g := mapOf(0, time.Second, ch("a", sitefile.Input, 0, "u32"))
	dec, err := NewDecoder(d, g)
	if err != nil {
		t.Fatal(err)
	}
	blocks, _ := Plan(d, g)
	err = dec.Decode(blocks[0], []byte{1, 2, 3}, make([]int64, 1), make([]scan.Reason, 1))
	if !errors.Is(err, errShort) {
		t.Errorf("a short answer: got %v, want %v", err, errShort)
	}
}

// encode is the inverse of the decoder, written another way: through decimal
// and binary digits of text, not through shifts.
func encode(typ string, little bool, number string) []byte {
	var digits string // of the value in base two
	width := map[string]int{"u16": 16, "i16": 16, "bcd16": 16, "u32": 32, "i32": 32, "f32": 32, "bcd32": 32, "u64": 64, "i64": 64, "f64": 64}[typ]
	switch {
	case strings.HasPrefix(typ, "bcd"):
		for _, c := range fmt.Sprintf("%0*s", width/4, number) {
			digits += fmt.Sprintf("%04b", c-'0')
		}
	case typ[0] == 'f':
		v, _ := strconv.ParseFloat(number, width)
		if width == 32 {
			digits = fmt.Sprintf("%032b", math.Float32bits(float32(v)))
		} else {
			digits = fmt.Sprintf("%064b", math.Float64bits(v))
		}
	case number[0] == '-':
		v, _ := strconv.ParseInt(number, 10, width)
		digits = fmt.Sprintf("%064b", uint64(v))[64-width:]
	default:
		v, _ := strconv.ParseUint(number, 10, 64)
		digits = fmt.Sprintf("%0*b", width, v)
	}
	var words []string
	for i := 0; i < width; i += 16 {
		if little {
			words = append([]string{digits[i : i+16]}, words...)
		} else {
			words = append(words, digits[i:i+16])
		}
	}
	var out []byte
	for _, w := range words {
		for _, half := range []string{w[:8], w[8:]} {
			b, _ := strconv.ParseUint(half, 2, 8)
			out = append(out, byte(b))
		}
	}
	return out
}

func TestDecodeRoundTrip(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	draw := map[string]func() string{
		"u16":   func() string { return fmt.Sprint(uint16(rng.Uint32())) },
		"i16":   func() string { return fmt.Sprint(int16(rng.Uint32())) },
		"u32":   func() string { return fmt.Sprint(rng.Uint32()) },
		"i32":   func() string { return fmt.Sprint(int32(rng.Uint32())) },
		"u64":   func() string { return fmt.Sprint(rng.Uint64()) },
		"i64":   func() string { return fmt.Sprint(int64(rng.Uint64())) },
		"f32":   func() string { return strconv.FormatFloat(float64(float32(rng.NormFloat64()*1e6)), 'g', -1, 32) },
		"f64":   func() string { return strconv.FormatFloat(rng.NormFloat64()*1e9, 'g', -1, 64) },
		"bcd16": func() string { return fmt.Sprint(rng.IntN(10000)) },
		"bcd32": func() string { return fmt.Sprint(rng.IntN(100000000)) },
	}
	show := func(k scan.Kind, raw int64) string {
		switch k {
		case scan.KindUint:
			return fmt.Sprint(uint64(raw))
		case scan.KindFloat32:
			return strconv.FormatFloat(k.Counts(raw), 'g', -1, 32)
		case scan.KindFloat64:
			return strconv.FormatFloat(k.Counts(raw), 'g', -1, 64)
		}
		return fmt.Sprint(raw)
	}
	for typ, next := range draw {
		for _, little := range []bool{false, true} {
			for range 200 {
				want := next()
				mc := ch("a", sitefile.Holding, 3, typ)
				mc.WordsLittle = little
				payload := encode(typ, little, want)
				raw, reason, g := decodeOne(t, mc, payload)
				if got := show(g.Channels[0].Kind, raw); got != want || reason != scan.Good {
					t.Fatalf("%s little=%t % X: got %s (%v), want %s", typ, little, payload, got, reason, want)
				}
			}
		}
	}
}

// FuzzDecode: no bytes make the decoder fail otherwise than by its error, and
// what it calls good is a finite number inside the valid range.
func FuzzDecode(f *testing.F) {
	f.Add([]byte{0xFF, 0xFF, 0x7F, 0xC0, 0, 0, 0x12, 0xA4}, uint8(0))
	f.Add([]byte{}, uint8(255))
	f.Add(make([]byte, 64), uint8(7))
	types := []string{"u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bcd16", "bcd32"}
	f.Fuzz(func(t *testing.T, payload []byte, form uint8) {
		var channels []sitefile.MapChannel
		address := 0
		for i, typ := range types {
			c := ch(typ, sitefile.Holding, address, typ)
			c.WordsLittle = form>>(i%8)&1 == 1
			c.Valid, c.Absent = &[2]float64{-1e6, 1e6}, []int64{int64(form)}
			channels = append(channels, c)
			address += c.Registers() + i%2
		}
		d, g := mapOf(1, time.Second, channels...)
		dec, err := NewDecoder(d, g)
		if err != nil {
			t.Fatal(err)
		}
		blocks, err := Plan(d, g)
		if err != nil || len(blocks) != 1 {
			t.Fatalf("%d blocks, %v", len(blocks), err)
		}
		values, quality := make([]int64, len(channels)), make([]scan.Reason, len(channels))
		if err := dec.Decode(blocks[0], payload, values, quality); err != nil {
			if !errors.Is(err, errShort) || len(payload) >= 2*address {
				t.Fatal(err)
			}
			return
		}
		for i, q := range quality {
			v := g.Channels[i].Value(values[i])
			if q == scan.Good && !(v >= -1e6-1 && v <= 1e6+1) {
				t.Errorf("%s: %v is called good", types[i], v)
			}
		}
	})
}

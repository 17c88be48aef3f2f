package poll

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// errShort is returned when an answer holds fewer bytes than were asked for.
var errShort = errors.New("answer is shorter than asked for")

// Decoder turns the answers to the blocks of one group into raw values. It is
// immutable and may be shared.
type Decoder struct {
	codecs []codec // one a channel, in the group's order
}

// NewDecoder makes the decoder of a group of d. It fails when the map and the
// group disagree or when a channel's type cannot be decoded.
func NewDecoder(d *sitefile.Device, g *scan.Group) (*Decoder, error) {
	dec := &Decoder{codecs: make([]codec, len(g.Channels))}
	for i := range g.Channels {
		mc, err := mapChannel(d, g.Channels[i].Name)
		if err != nil {
			return nil, err
		}
		c, err := newCodec(mc, &g.Channels[i])
		if err != nil {
			return nil, fmt.Errorf("device %q: channel %q: %w (in %s)", d.Name, mc.Name, err, d.MapPath)
		}
		dec.codecs[i] = c
	}
	return dec, nil
}

// Decode puts the values of b's channels into values and quality, which are
// indexed like the group's Channels. payload is the data of the answer behind
// its byte count: registers high byte first, or bits packed from the lowest.
//
// A raw value is kept with the quality Absent when it is one of the map's codes
// for "no value", and with Implausible when it lies outside the valid range, is
// not a finite number, or is no BCD number; the raw value of the last is the
// register's plain bits. A current or voltage that tells of a broken wire or
// transmitter has the quality SensorFault and its raw value.
func (d *Decoder) Decode(b Block, payload []byte, values []int64, quality []scan.Reason) error {
	if need := b.Request.ByteCount(); len(payload) < need {
		return fmt.Errorf("%w: %d bytes, not %d", errShort, len(payload), need)
	}
	for _, f := range b.Fields {
		var word uint64
		if b.Request.IsBits() {
			word = uint64(payload[f.Offset/8]>>(f.Offset%8)) & 1
		} else {
			word = joinWords(payload[2*f.Offset:2*f.end()], d.codecs[f.Channel].wordsLittle)
		}
		values[f.Channel], quality[f.Channel] = d.codecs[f.Channel].decode(word)
	}
	return nil
}

// joinWords joins 16-bit words, each high byte first, into one number.
func joinWords(data []byte, wordsLittle bool) uint64 {
	var v uint64
	for i := 0; i < len(data); i += 2 {
		w := uint64(binary.BigEndian.Uint16(data[i:]))
		if wordsLittle {
			v |= w << (8 * i)
		} else {
			v = v<<16 | w
		}
	}
	return v
}

// form is how the bits of a value are to be read.
type form uint8

const (
	formUnsigned form = iota
	formSigned
	formFloat
	formBCD
	formBit
)

// codec reads one channel.
type codec struct {
	form        form
	width       int // bits on the wire: 1, 16, 32 or 64
	bit         int // formBit: which bit
	wordsLittle bool
	channel     scan.Channel
	absentBits  []uint64  // codes as bits of the whole value
	absentNums  []float64 // codes as numbers, formFloat and formBCD
	signal      signalLimits
	valid       bool
	low, high   float64 // in the channel's unit, rounding allowed for
}

func newCodec(mc *sitefile.MapChannel, ch *scan.Channel) (codec, error) {
	c := codec{wordsLittle: mc.WordsLittle, channel: *ch, bit: mc.Bit}
	kind := scan.KindInt
	switch mc.Type {
	case "bit":
		c.form, c.width = formBit, 16
	case "u16", "u32":
		c.form = formUnsigned
	case "u64":
		c.form, kind = formUnsigned, scan.KindUint
	case "i16", "i32", "i64":
		c.form = formSigned
	case "f32":
		c.form, kind = formFloat, scan.KindFloat32
	case "f64":
		c.form, kind = formFloat, scan.KindFloat64
	case "bcd16":
		c.form, c.width = formBCD, 16
	case "bcd32":
		c.form, c.width = formBCD, 32
	default:
		return c, fmt.Errorf("type %q is not known: use bit, u16, i16, u32, i32, u64, i64, f32, f64, bcd16 or bcd32", mc.Type)
	}
	if c.width == 0 {
		c.width = 16 * mc.Registers()
	}
	if mc.Table == sitefile.Coil || mc.Table == sitefile.Discrete {
		if mc.Type != "bit" {
			return c, fmt.Errorf("type %q does not fit table %q: use bit", mc.Type, mc.Table)
		}
		c.width, c.bit = 1, 0
	} else if mc.Bit >= 0 || c.form == formBit {
		if mc.Bit < 0 || mc.Bit >= c.width || c.form == formFloat || c.form == formBCD {
			return c, fmt.Errorf("bit %d of type %q: use a bit from 0 to %d of a whole-number type", mc.Bit, mc.Type, c.width-1)
		}
		c.form = formBit
	}
	if ch.Bit != (c.form == formBit) || !ch.Bit && ch.Kind != kind {
		return c, fmt.Errorf("type %q: the group says kind %d, bit %t", mc.Type, ch.Kind, ch.Bit)
	}
	c.signal = newSignalLimits(mc.Signal)
	c.setValid(mc)
	return c, c.setAbsent(mc.Absent)
}

// setValid keeps the valid range, widened by what rounding can do.
func (c *codec) setValid(mc *sitefile.MapChannel) {
	c.low, c.high, c.valid = mc.ValidRange()
}

// setAbsent keeps the codes for "no value". Manuals print 65535 as well as -1
// for the same sixteen bits: both are taken, whatever the type's sign.
func (c *codec) setAbsent(codes []int64) error {
	for _, code := range codes {
		top := code >> (c.width - 1) // the sign's bit and all above it
		fits := c.width == 64 || top == 0 || top == 1 || top == -1
		if c.form == formFloat || c.form == formBCD {
			c.absentNums = append(c.absentNums, float64(code))
		} else if !fits {
			return fmt.Errorf("absent code %d does not fit into %d bits", code, c.width)
		}
		if fits {
			c.absentBits = append(c.absentBits, uint64(code)&c.mask())
		}
	}
	return nil
}

func (c *codec) mask() uint64 { return math.MaxUint64 >> (64 - c.width) }

// decode turns the bits of one value into its raw form and quality.
func (c *codec) decode(word uint64) (int64, scan.Reason) {
	raw, proper := c.raw(word)
	switch {
	case c.isAbsent(word, raw, proper):
		return raw, scan.Absent
	case !proper:
		return raw, scan.Implausible
	}
	if why := c.signal.judge(c.channel.Kind.Counts(raw)); why != scan.Good {
		return raw, why
	}
	if c.valid {
		v := c.channel.Value(raw)
		if v < c.low || v > c.high {
			return raw, scan.Implausible
		}
	}
	return raw, scan.Good
}

// raw gives the stored form; proper is false for bits that are no number.
func (c *codec) raw(word uint64) (raw int64, proper bool) {
	switch c.form {
	case formBit:
		return int64(word >> c.bit & 1), true
	case formSigned:
		shift := 64 - c.width
		return int64(word<<shift) >> shift, true
	case formFloat:
		v := c.channel.Kind.Counts(int64(word))
		return int64(word), !math.IsNaN(v) && !math.IsInf(v, 0)
	case formBCD:
		return fromBCD(word, c.width/4)
	default:
		return int64(word), true
	}
}

// isAbsent compares with the map's codes. A code for a bit is one of the whole
// register it lies in. A code for BCD is digits, or the register's plain bits
// where those are no digits.
func (c *codec) isAbsent(word uint64, raw int64, proper bool) bool {
	if c.form != formBCD || !proper {
		for _, code := range c.absentBits {
			if word == code {
				return true
			}
		}
	}
	if len(c.absentNums) == 0 || !proper {
		return false
	}
	number := c.channel.Kind.Counts(raw)
	for _, code := range c.absentNums {
		if number == code {
			return true
		}
	}
	return false
}

// fromBCD reads digits of four bits each. A digit above nine gives the plain
// bits and false.
func fromBCD(word uint64, digits int) (int64, bool) {
	var v int64
	for i := digits - 1; i >= 0; i-- {
		d := int64(word >> (4 * i) & 0xf)
		if d > 9 {
			return int64(word), false
		}
		v = v*10 + d
	}
	return v, true
}

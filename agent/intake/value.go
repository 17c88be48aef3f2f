package intake

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/big"
	"math/bits"
	"slices"
	"strconv"

	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// maxMantissa and maxDecimals bound scan.KindDecimal: eight bits are for the
// decimals.
const maxMantissa, maxDecimals = 1<<55 - 1, 18

// codec turns the texts of one column into raw values of one channel:
// raw = text·factor + shift, exactly. It is immutable.
//
// The text of a polled device's column, and of any column of an export, is the
// channel's value: raw = (text - offset) / scale. The text of a file device's
// column is raw itself, so that a wrong scale in its map, of a transformer say,
// can be put right afterwards.
type codec struct {
	channel *scan.Channel
	comma   bool
	empty   [][]byte
	words   map[string]int64
	// rounds: a value without an end in decimals is rounded to a thousandth of
	// its last digit. Only what came from files has such: counts do not.
	rounds        bool
	converts      bool // from the column's unit, of what rounds
	factor, shift *big.Rat
	// The same as (text·small[0] + small[1]) / small[2]; small[2] is 0 where
	// the numbers are larger than that.
	small      [3]int64
	identity   bool // factor 1, shift 0
	scaleTens  int  // decimals of the channel's scale and offset
	offsetTens int
	valid      bool
	low, high  float64
	absent     []int64
}

// newCodec makes the codec of a column in unit (empty: the channel's); exported
// is whether an export wrote it.
func newCodec(d *sitefile.Device, mc *sitefile.MapChannel, ch *scan.Channel, unit string, exported bool, l *Logger) (*codec, error) {
	ofFile := d.Map.Protocol == "file"
	c := &codec{channel: ch, comma: l.Comma, rounds: ofFile, absent: mc.Absent}
	c.low, c.high, c.valid = mc.ValidRange()
	if c.channel.Kind == scan.KindFloat32 || c.channel.Kind == scan.KindFloat64 {
		c.absent = nil // codes of plain numbers, as poll takes them, are in no export
	}
	scale, offset := exactly(ch.Scale), exactly(ch.Offset)
	scaled := ch.Scale != 1 || ch.Offset != 0
	if ofFile && !exported {
		scale, offset = big.NewRat(1, 1), new(big.Rat)
	}
	var ok1, ok2 bool
	c.scaleTens, ok1 = decimalsOf(scale)
	c.offsetTens, ok2 = decimalsOf(offset)
	if !ok1 || !ok2 || scale.Sign() == 0 {
		return nil, fmt.Errorf("channel %s has no scale that can be reckoned back", ch.ID())
	}
	c.factor, c.shift = big.NewRat(1, 1), new(big.Rat)
	if unit != "" && unit != ch.Unit {
		from, err := quantity.ParseUnit(unit)
		if err != nil {
			return nil, err
		}
		if err := c.convert(from, mc.Unit, unit, ch.Unit); err != nil {
			return nil, err
		}
		same := c.factor.Cmp(big.NewRat(1, 1)) == 0 && c.shift.Sign() == 0
		c.converts = ofFile && !same
		if !same && scaled && ofFile && !exported {
			return nil, fmt.Errorf("%q would be converted, and the map of device %q scales it as well: keep one of the two", unit, d.Name)
		}
	}
	c.shift.Sub(c.shift, offset)
	c.shift.Quo(c.shift, scale)
	c.factor.Quo(c.factor, scale)
	c.identity = c.factor.Cmp(big.NewRat(1, 1)) == 0 && c.shift.Sign() == 0
	c.setSmall()
	return c, nil
}

// convert sets factor and shift to lead from one unit to another. The ratio of
// two units is reckoned in float64 and read back with 15 digits, so that 60
// minutes are an hour exactly.
func (c *codec) convert(from, to quantity.Unit, fromText, toText string) error {
	switch {
	case from.Dimension != to.Dimension:
		return fmt.Errorf("%q is no unit of %s, which the channel measures", fromText, to.Dimension)
	case from.Absolute != to.Absolute:
		return fmt.Errorf("%q and the channel's %q are not both gauge or both absolute", fromText, toText)
	case from.Basis != to.Basis:
		return fmt.Errorf("%q and the channel's %q do not mean the same air", fromText, toText)
	}
	rat := func(f float64) *big.Rat {
		r, _ := new(big.Rat).SetString(strconv.FormatFloat(f, 'g', 15, 64))
		return r
	}
	c.factor = rat(from.Scale / to.Scale)
	c.shift = rat((from.Offset - to.Offset) / to.Scale)
	return nil
}

// setSmall prepares the arithmetic of nearly every reading.
func (c *codec) setSmall() {
	den := new(big.Int).Mul(c.factor.Denom(), c.shift.Denom())
	den.Quo(den, new(big.Int).GCD(nil, nil, c.factor.Denom(), c.shift.Denom()))
	d := new(big.Rat).SetInt(den)
	a, b := new(big.Rat).Mul(c.factor, d), new(big.Rat).Mul(c.shift, d)
	for _, n := range []*big.Int{a.Num(), b.Num(), den} {
		if n.BitLen() > 50 {
			return
		}
	}
	c.small = [3]int64{a.Num().Int64(), b.Num().Int64(), den.Int64()}
}

// cell is what a field says of a channel.
type cell struct {
	raw     int64
	quality scan.Reason
	said    bool // the field is not blank
}

// read reads a field. The error is a sentence's end.
func (c *codec) read(text []byte) (cell, error) {
	if len(text) == 0 {
		return cell{}, nil
	}
	for _, e := range c.empty {
		if bytes.Equal(e, text) {
			return cell{quality: scan.Absent, said: true}, nil
		}
	}
	var n number
	if word, ok := c.words[string(text)]; ok {
		n = wholeNumber(word)
	} else {
		var err error
		if n, err = parseNumber(text, c.comma); err != nil {
			return cell{}, err
		}
	}
	raw, err := c.raw(n)
	if err != nil {
		return cell{}, err
	}
	return cell{raw, c.judge(raw), true}, nil
}

func (c *codec) judge(raw int64) scan.Reason {
	if len(c.absent) > 0 && slices.Contains(c.absent, raw) {
		return scan.Absent
	}
	if c.valid {
		if v := c.channel.Value(raw); v < c.low || v > c.high {
			return scan.Implausible
		}
	}
	return scan.Good
}

// raw turns a number in the column's unit into the channel's raw value.
func (c *codec) raw(n number) (int64, error) {
	switch c.channel.Kind {
	case scan.KindFloat32, scan.KindFloat64:
		return c.float(n)
	case scan.KindDecimal:
		return c.decimal(n)
	}
	raw, ok := c.quick(n)
	if !ok {
		var err error
		if raw, err = c.counts(n); err != nil {
			return 0, err
		}
	}
	if c.channel.Bit && raw != 0 && raw != 1 {
		return 0, errors.New("is neither 0 nor 1")
	}
	return raw, nil
}

// quick reckons counts in 64 bits, where they fit.
func (c *codec) quick(n number) (int64, bool) {
	if c.small[2] == 0 || n.big != nil || n.places < 0 || n.places > 15 {
		return 0, false
	}
	product, ok1 := times(n.mantissa, c.small[0])
	shift, ok2 := times(c.small[1], tens[n.places])
	den, ok3 := times(c.small[2], tens[n.places])
	sum := product + shift
	if !ok1 || !ok2 || !ok3 || sum%den != 0 {
		return 0, false
	}
	return sum / den, true
}

// tens are the powers of ten up to 10^15.
var tens = func() (t [16]int64) {
	t[0] = 1
	for i := 1; i < len(t); i++ {
		t[i] = 10 * t[i-1]
	}
	return t
}()

// times multiplies where the product has at most 62 bits.
func times(a, b int64) (int64, bool) {
	size := func(v int64) uint64 {
		if v < 0 {
			return uint64(-v)
		}
		return uint64(v)
	}
	hi, lo := bits.Mul64(size(a), size(b))
	return a * b, hi == 0 && lo < 1<<62
}

// exact is the raw value before it is put into its kind.
func (c *codec) exact(n number) *big.Rat {
	r := n.rat()
	return r.Mul(r, c.factor).Add(r, c.shift)
}

func (c *codec) counts(n number) (int64, error) {
	r := c.exact(n)
	if !r.IsInt() {
		if c.channel.Bit {
			return 0, errors.New("is neither 0 nor 1")
		}
		return 0, fmt.Errorf("is no whole number of counts of %s (%v %s each)", c.channel.ID(), c.channel.Scale, c.channel.Unit)
	}
	if c.channel.Kind == scan.KindUint && r.Num().IsUint64() {
		return int64(r.Num().Uint64()), nil
	}
	if c.channel.Kind == scan.KindUint || !r.Num().IsInt64() {
		return 0, c.tooLarge()
	}
	return r.Num().Int64(), nil
}

func (c *codec) tooLarge() error {
	return fmt.Errorf("is more than channel %s can hold", c.channel.ID())
}

// decimal makes digits with a point, as many behind it as the file has.
func (c *codec) decimal(n number) (int64, error) {
	if c.identity && n.big == nil && n.places >= 0 && n.places <= maxDecimals && n.mantissa <= maxMantissa && n.mantissa >= -maxMantissa {
		return n.mantissa<<8 | int64(n.places), nil
	}
	r := c.exact(n)
	places, ends := decimalsOf(r)
	wanted := n.places - c.scaleTens
	if n.places > c.offsetTens || c.offsetTens == 0 {
		places = max(places, wanted, 0) // the digits that were there
	}
	if !ends || places > maxDecimals || tooMany(r, places) || c.converts && places > c.enough(n.places) {
		if !c.rounds {
			return 0, fmt.Errorf("cannot be told exactly in the %s of channel %s", c.channel.Unit, c.channel.ID())
		}
		for places = c.enough(n.places); places > 0 && tooMany(r, places); places-- {
			// what does not fit is finer than any instrument: 17 digits are a float64
		}
	}
	m := rounded(r, places)
	if !m.IsInt64() || m.Int64() > maxMantissa || m.Int64() < -maxMantissa {
		return 0, c.tooLarge()
	}
	return m.Int64()<<8 | int64(places), nil
}

func tooMany(r *big.Rat, places int) bool {
	return rounded(r, places).BitLen() > 55
}

// enough is how many decimals keep a thousandth of the last digit that the file
// has.
func (c *codec) enough(places int) int {
	f, _ := c.factor.Float64()
	step := math.Log10(math.Abs(f)) - float64(places)
	return min(max(int(math.Ceil(3-step-1e-9)), 0), maxDecimals)
}

// rounded is r·10^places, rounded half away from zero.
func rounded(r *big.Rat, places int) *big.Int {
	num := new(big.Int).Mul(r.Num(), pow10(places))
	num.Lsh(num, 1)
	den := new(big.Int).Lsh(r.Denom(), 1)
	if r.Sign() < 0 {
		num.Sub(num, r.Denom())
	} else {
		num.Add(num, r.Denom())
	}
	return num.Quo(num, den)
}

// float makes the nearest number of IEEE 754. Where mantissa and power of ten
// are such numbers themselves, their quotient is rounded once and is the nearest
// (Clinger 1990, from memory).
func (c *codec) float(n number) (int64, error) {
	const exact32, exact64, tens32 = 1 << 24, 1 << 53, 10
	if size := max(n.mantissa, -n.mantissa); c.identity && n.big == nil && n.places >= 0 {
		switch {
		case c.channel.Kind == scan.KindFloat32 && size <= exact32 && n.places <= tens32:
			return int64(math.Float32bits(float32(n.mantissa) / float32(tens[n.places]))), nil
		case c.channel.Kind == scan.KindFloat64 && size <= exact64 && n.places < len(tens):
			return int64(math.Float64bits(float64(n.mantissa) / float64(tens[n.places]))), nil
		}
	}
	r := c.exact(n)
	if c.channel.Kind == scan.KindFloat32 {
		f, _ := r.Float32()
		if math.IsInf(float64(f), 0) {
			return 0, c.tooLarge()
		}
		return int64(math.Float32bits(f)), nil
	}
	f, _ := r.Float64()
	if math.IsInf(f, 0) {
		return 0, c.tooLarge()
	}
	return int64(math.Float64bits(f)), nil
}

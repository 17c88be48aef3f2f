package store

import (
	"encoding/binary"
	"fmt"

	"github.com/klauspost/compress/zstd"

	"loadscribe/agent/scan"
)

// The forms of a column of n 64-bit numbers: the low four bits of a column's
// encoding. All arithmetic wraps, so that every column comes back to the last
// bit.
const (
	formConstant    = 0 // varint: the one value; nothing if n is 0
	formRuns        = 1 // pairs: varint difference to the last value, uvarint length
	formLine        = 2 // varint first, varint step
	formForecast    = 3 // see forecastHead
	formRunColumns  = 4 // uvarint number of runs, then the runs' values and lengths as columns
	formDifferences = 5 // varint differences, the first to 0

	formMask  = 15
	mapShift  = 4  // the high four bits: the mapping
	fewValues = 48 // columns up to here may cost less as differences
)

// columnEncoder encodes columns. Its memory is reused.
type columnEncoder struct {
	forecast forecastWriter
	ints     []int64 // mapped values
	runs     [2][]int64
	tried    [2][]byte
}

// append appends the column's bytes to dst and returns its encoding.
func (e *columnEncoder) append(dst []byte, v []int64, k scan.Kind) ([]byte, byte) {
	m, decimals := mapNone, byte(0)
	if k == scan.KindFloat32 || k == scan.KindFloat64 {
		if countRuns(v, 2) > 1 {
			m, decimals = e.mapFloats(v, k)
		}
	}
	if m != mapNone {
		v = e.ints
	}
	if m.decimal() {
		dst = append(dst, decimals)
	}
	dst, form := e.integers(dst, v)
	return dst, form | byte(m)<<mapShift
}

// integers appends the shortest of the forms that may fit.
func (e *columnEncoder) integers(dst []byte, v []int64) ([]byte, byte) {
	if len(v) == 0 {
		return dst, formConstant
	}
	limit := max(2, len(v)/4)
	runs := countRuns(v, limit)
	if runs == 1 {
		return appendInt(dst, v[0]), formConstant
	}
	if isLine(v) {
		return appendInt(appendInt(dst, v[0]), v[1]-v[0]), formLine
	}
	best, form := e.tried[0][:0], byte(formForecast)
	try := func(b []byte, f byte) {
		if len(best) == 0 || len(b) < len(best) {
			best, form = append(best[:0], b...), f
		}
		e.tried[1] = b
	}
	if runs < limit {
		try(appendRuns(e.tried[1][:0], v), formRuns)
		if runs >= fewValues/4 {
			try(e.runColumns(e.tried[1][:0], v), formRunColumns)
		}
	}
	if len(v) <= fewValues {
		try(appendDifferences(e.tried[1][:0], v), formDifferences)
	}
	if runs > len(v)/32 {
		try(e.forecast.encode(e.tried[1][:0], v), formForecast)
	}
	e.tried[0] = best
	return append(dst, best...), form
}

// runColumns appends the runs' values and their lengths, each as a column.
func (e *columnEncoder) runColumns(dst []byte, v []int64) []byte {
	values, lengths := e.runs[0][:0], e.runs[1][:0]
	eachRun(v, func(value int64, length int) {
		values, lengths = append(values, value), append(lengths, int64(length))
	})
	e.runs = [2][]int64{values, lengths}
	dst = binary.AppendUvarint(dst, uint64(len(values)))
	for _, part := range e.runs {
		var b []byte
		form := byte(formForecast)
		switch {
		case countRuns(part, 2) == 1:
			b, form = appendInt(nil, part[0]), formConstant
		case isLine(part):
			b, form = appendInt(appendInt(nil, part[0]), part[1]-part[0]), formLine
		default:
			b = e.forecast.encode(nil, part)
			if len(part) <= fewValues {
				if plain := appendDifferences(nil, part); len(plain) < len(b) {
					b, form = plain, formDifferences
				}
			}
		}
		dst = appendBytes(append(dst, form), b)
	}
	return dst
}

// countRuns returns the number of runs of equal values, stopping at limit.
func countRuns(v []int64, limit int) int {
	if len(v) == 0 {
		return 0
	}
	runs := 1
	for i := 1; i < len(v) && runs < limit; i++ {
		if v[i] != v[i-1] {
			runs++
		}
	}
	return runs
}

func eachRun(v []int64, fn func(value int64, length int)) {
	for i := 0; i < len(v); {
		j := i + 1
		for j < len(v) && v[j] == v[i] {
			j++
		}
		fn(v[i], j-i)
		i = j
	}
}

// isLine reports whether two or more values rise evenly.
func isLine(v []int64) bool {
	for i := 2; i < len(v); i++ {
		if v[i]-v[i-1] != v[1]-v[0] {
			return false
		}
	}
	return len(v) > 1
}

func appendRuns(b []byte, v []int64) []byte {
	last := int64(0)
	eachRun(v, func(value int64, length int) {
		b = binary.AppendUvarint(appendInt(b, value-last), uint64(length))
		last = value
	})
	return b
}

func appendDifferences(b []byte, v []int64) []byte {
	last := int64(0)
	for _, x := range v {
		b = appendInt(b, x-last)
		last = x
	}
	return b
}

// columnDecoder decodes columns; its memory is reused, one user at a time.
type columnDecoder struct {
	dec      *zstd.Decoder
	raw      []byte
	forecast *forecastReader // made at its first use
	runs     []int64
}

// decode fills out with the column's values.
func (d *columnDecoder) decode(c *columnHead, out []int64) error {
	if c.version == 1 {
		return d.decodeV1(c, out)
	}
	b, m := c.data, mapping(c.form>>mapShift)
	decimals := byte(0)
	if m.decimal() {
		if len(b) == 0 {
			return fmt.Errorf("%w: column without decimals", ErrDamaged)
		}
		decimals, b = b[0], b[1:]
	}
	if !m.known(decimals) {
		return fmt.Errorf("%w: column mapping %d", ErrDamaged, m)
	}
	if err := d.integers(b, c.form&formMask, out, true); err != nil {
		return err
	}
	m.undo(out, decimals)
	return nil
}

// integers fills out with the values of a form; outer forms may be of columns.
func (d *columnDecoder) integers(b []byte, form byte, out []int64, outer bool) error {
	r := reader{b: b}
	switch {
	case form == formConstant:
		last := int64(0)
		if len(out) > 0 {
			last = r.int()
		}
		for i := range out {
			out[i] = last
		}
	case form == formRuns:
		return r.runs(out)
	case form == formLine:
		at, step := r.int(), r.int()
		for i := range out {
			out[i] = at
			at += step
		}
	case form == formDifferences:
		r.differences(out)
	case form == formForecast && len(out) > 0:
		if d.forecast == nil {
			d.forecast = &forecastReader{}
		}
		return d.forecast.decode(b, out)
	case form == formRunColumns && outer:
		return d.runColumns(&r, out)
	default:
		return fmt.Errorf("%w: column form %d", ErrDamaged, form)
	}
	return r.done(len(out))
}

// runColumns fills out from the runs' values and lengths.
func (d *columnDecoder) runColumns(r *reader, out []int64) error {
	n := r.uint()
	if r.bad || n > uint64(len(out)) {
		return fmt.Errorf("%w: column of %d runs for %d values", ErrDamaged, n, len(out))
	}
	if cap(d.runs) < 2*int(n) {
		d.runs = make([]int64, 2*n)
	}
	values, lengths := d.runs[:n], d.runs[n:2*n]
	for _, part := range [2][]int64{values, lengths} {
		form := r.byte()
		if err := d.integers(r.take(r.uint()), form, part, false); err != nil {
			return err
		}
	}
	at := 0
	for i, length := range lengths {
		if length < 1 || length > int64(len(out)-at) {
			return fmt.Errorf("%w: column with a run of %d", ErrDamaged, length)
		}
		for end := at + int(length); at < end; at++ {
			out[at] = values[i]
		}
	}
	if at != len(out) {
		r.bad = true
	}
	return r.done(len(out))
}

// done tells whether a column was read to its end.
func (r *reader) done(values int) error {
	if r.bad || len(r.b) != 0 {
		return fmt.Errorf("%w: column does not have %d values", ErrDamaged, values)
	}
	return nil
}

func (r *reader) runs(out []int64) error {
	last := int64(0)
	for i := 0; i < len(out); {
		last += r.int()
		n := r.uint()
		if r.bad || n == 0 || n > uint64(len(out)-i) {
			return fmt.Errorf("%w: column of runs", ErrDamaged)
		}
		for end := i + int(n); i < end; i++ {
			out[i] = last
		}
	}
	return r.done(len(out))
}

func (r *reader) differences(out []int64) {
	last := int64(0)
	for i := range out {
		last += r.int()
		out[i] = last
	}
}

package store

import "fmt"

// The encodings of a column in blocks of version 1, which are read and no
// longer written.
const (
	v1Constant = 0 // zig-zag varint: the one value; nothing if n is 0
	v1Runs     = 1 // pairs: zig-zag varint difference to the last value, varint length
	v1Delta    = 2 // zig-zag varint differences, the first to 0
	v1Delta2   = 3 // zig-zag varint differences of differences
	v1Float32  = 4 // v1Delta of binary32 bits mapped so that order is kept
	v1Float64  = 5 // v1Delta of binary64 bits mapped so that order is kept
)

// The compressions of an encoded column of version 1.
const (
	packNone = 0
	packZstd = 1
)

// decodeV1 fills out with the values of a column of version 1.
func (d *columnDecoder) decodeV1(c *columnHead, out []int64) error {
	raw := c.data
	switch c.pack {
	case packNone:
		if len(raw) != c.raw {
			return fmt.Errorf("%w: column length", ErrDamaged)
		}
	case packZstd:
		if cap(d.raw) < c.raw {
			d.raw = make([]byte, 0, c.raw)
		}
		// the decoder never goes beyond the capacity (WithDecodeAllCapLimit)
		got, err := d.dec.DecodeAll(c.data, d.raw[:0:c.raw])
		if err != nil {
			return fmt.Errorf("%w: column: %v", ErrDamaged, err)
		}
		if len(got) != c.raw {
			return fmt.Errorf("%w: column length", ErrDamaged)
		}
		raw = got
	default:
		return fmt.Errorf("%w: column packing %d", ErrDamaged, c.pack)
	}
	return decodeColumnV1(raw, c.form, out)
}

func decodeColumnV1(b []byte, enc byte, out []int64) error {
	r := reader{b: b}
	last := int64(0)
	switch enc {
	case v1Constant:
		if len(out) > 0 {
			last = r.int()
		}
		for i := range out {
			out[i] = last
		}
	case v1Runs:
		return r.runs(out)
	case v1Delta:
		r.differences(out)
	case v1Delta2:
		step := int64(0)
		for i := range out {
			step += r.int()
			last += step
			out[i] = last
		}
	case v1Float32:
		r.differences(out)
		mapOrder32.undo(out, 0)
	case v1Float64:
		r.differences(out)
		mapOrder64.undo(out, 0)
	default:
		return fmt.Errorf("%w: column encoding %d", ErrDamaged, enc)
	}
	return r.done(len(out))
}

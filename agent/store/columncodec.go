package store

import "loadscribe/agent/scan"

// ColumnCodec codes columns of raw values as blocks do, one at a time, for
// measurements. The zero value is ready. Not for several goroutines at once.
type ColumnCodec struct {
	enc columnEncoder
	dec columnDecoder
}

// Append appends the column to dst, its encoding first.
func (c *ColumnCodec) Append(dst []byte, values []int64, kind scan.Kind) []byte {
	at := len(dst)
	dst, form := c.enc.append(append(dst, 0), values, kind)
	dst[at] = form
	return dst
}

// Read fills values from a column that Append wrote of as many.
func (c *ColumnCodec) Read(column []byte, values []int64) error {
	if len(column) == 0 {
		return ErrDamaged
	}
	return c.dec.decode(&columnHead{version: 2, form: column[0], data: column[1:]}, values)
}

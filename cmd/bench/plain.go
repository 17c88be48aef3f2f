package main

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"github.com/klauspost/compress/zstd"

	"loadscribe/simulator"
)

// plainRows is the length of a chunk: an hour of seconds.
const plainRows = 3600

// errPlain is returned where the plain codec does not give back what it took.
var errPlain = errors.New("the plain codec is not lossless")

// plainCodecBytes is the size of the columns in the plain way that the store
// must beat: differences as varints, zstd at its best, an hour and column at a
// time. Every chunk is read back and compared.
func plainCodecBytes(columns []simulator.BenchColumn) (int, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedBestCompression), zstd.WithEncoderConcurrency(1), zstd.WithEncoderCRC(false))
	if err != nil {
		return 0, fmt.Errorf("plain codec: %w", err)
	}
	defer enc.Close()
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1))
	if err != nil {
		return 0, fmt.Errorf("plain codec: %w", err)
	}
	defer dec.Close()
	total := 0
	for _, c := range columns {
		for chunk := range slices.Chunk(c.Counts, plainRows) {
			packed := enc.EncodeAll(plainEncode(chunk), nil)
			total += len(packed)
			varints, err := dec.DecodeAll(packed, nil)
			if err != nil {
				return 0, fmt.Errorf("column %s: %w", c.Name, err)
			}
			if !slices.Equal(plainDecode(varints), chunk) {
				return 0, fmt.Errorf("column %s: %w", c.Name, errPlain)
			}
		}
	}
	return total, nil
}

// plainEncode writes each value's difference to the one before, the first to 0.
func plainEncode(values []int64) []byte {
	var out []byte
	before := int64(0)
	for _, v := range values {
		out = binary.AppendVarint(out, v-before)
		before = v
	}
	return out
}

// plainDecode undoes plainEncode; it ends where the bytes make no sense.
func plainDecode(varints []byte) []int64 {
	var values []int64
	v := int64(0)
	for len(varints) > 0 {
		d, n := binary.Varint(varints)
		if n <= 0 {
			return values
		}
		v += d
		values, varints = append(values, v), varints[n:]
	}
	return values
}

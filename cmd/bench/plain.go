package main

import (
	"encoding/binary"
	"fmt"
	"slices"

	"github.com/klauspost/compress/zstd"

	"loadscribe/simulator"
)

// plainRows is the length of a chunk: an hour of seconds.
const plainRows = 3600

// plainCodec is the plain way that the store must beat: differences as varints,
// zstd at its best.
type plainCodec struct {
	enc     *zstd.Encoder
	dec     *zstd.Decoder
	varints []byte
}

func newPlainCodec() (*plainCodec, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedBestCompression), zstd.WithEncoderConcurrency(1), zstd.WithEncoderCRC(false))
	if err != nil {
		return nil, fmt.Errorf("plain codec: %w", err)
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1))
	if err != nil {
		return nil, fmt.Errorf("plain codec: %w", err)
	}
	return &plainCodec{enc: enc, dec: dec}, nil
}

func (p *plainCodec) close() {
	p.enc.Close()
	p.dec.Close()
}

func (p *plainCodec) encode(dst []byte, values []int64) []byte {
	p.varints = p.varints[:0]
	before := int64(0)
	for _, v := range values {
		p.varints = binary.AppendVarint(p.varints, v-before)
		before = v
	}
	return p.enc.EncodeAll(p.varints, dst)
}

// unpack is decode without the varints.
func (p *plainCodec) unpack(column []byte) (err error) {
	p.varints, err = p.dec.DecodeAll(column, p.varints[:0])
	return err
}

func (p *plainCodec) decode(column []byte, values []int64) error {
	if err := p.unpack(column); err != nil {
		return err
	}
	v, rest := int64(0), p.varints
	for i := range values {
		d, n := binary.Varint(rest)
		if n <= 0 {
			return errLossy
		}
		v += d
		values[i], rest = v, rest[n:]
	}
	return nil
}

// plainColumns are the columns in the plain way, an hour and column at a time:
// a column's hours, and what all take. Every chunk is read back and compared.
func plainColumns(columns []simulator.BenchColumn) (chunks [][][]byte, bytes int, err error) {
	p, err := newPlainCodec()
	if err != nil {
		return nil, 0, err
	}
	defer p.close()
	back := make([]int64, plainRows)
	for _, c := range columns {
		var hours [][]byte
		for chunk := range slices.Chunk(c.Counts, plainRows) {
			packed := p.encode(nil, chunk)
			hours = append(hours, packed)
			bytes += len(packed)
			if err := p.decode(packed, back[:len(chunk)]); err != nil {
				return nil, 0, fmt.Errorf("column %s: %w", c.Name, err)
			}
			if !slices.Equal(back[:len(chunk)], chunk) {
				return nil, 0, fmt.Errorf("column %s: %w", c.Name, errLossy)
			}
		}
		chunks = append(chunks, hours)
	}
	return chunks, bytes, nil
}

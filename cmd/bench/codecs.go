package main

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/klauspost/compress/fse"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
	"loadscribe/simulator"
)

// codec is one way to store a column of an hour. Every column it writes is read
// back and compared.
type codec struct {
	name   string
	about  string
	encode func(dst []byte, values []int64) []byte
	decode func(column []byte, values []int64) error
}

// errLossy is returned where a codec does not give back what it took.
var errLossy = errors.New("the codec is not lossless")

// codecs are the ways compared. The reference comes first, the store's own last.
func codecs(plain *plainCodec) []codec {
	delta, mean := &residualCodec{}, &residualCodec{window: 8}
	own := &store.ColumnCodec{}
	return []codec{
		{"delta_zstd", "differences, varints, zstd at its best", plain.encode, plain.decode},
		{"delta_fse", "differences, finite state entropy", delta.encode, delta.decode},
		{"mean_fse", "differences to the running mean of 8, finite state entropy", mean.encode, mean.decode},
		{"store", "the store's forecast columns",
			func(dst []byte, v []int64) []byte { return own.Append(dst, v, scan.KindInt) }, own.Read},
	}
}

// measured is what a codec did to one column of a week.
type measured struct {
	bytes          int
	encode, decode time.Duration
}

func (c *codec) measure(values []int64) (m measured, err error) {
	var packed []byte
	back := make([]int64, plainRows)
	for chunk := range slices.Chunk(values, plainRows) {
		began := time.Now()
		packed = c.encode(packed[:0], chunk)
		m.encode += time.Since(began)
		m.bytes += len(packed)
		back = back[:len(chunk)]
		began = time.Now()
		err := c.decode(packed, back)
		m.decode += time.Since(began)
		if err == nil && !slices.Equal(back, chunk) {
			err = errLossy
		}
		if err != nil {
			return m, fmt.Errorf("codec %s: %w", c.name, err)
		}
	}
	return m, nil
}

// codecFigures are the rows of the section: each codec in both weeks, then the
// store's way with each noisy channel.
func codecFigures() []string {
	var names []string
	for _, week := range []string{"week", "noisy"} {
		for _, c := range codecs(nil) {
			names = append(names, "codec_"+c.name+"_"+week)
		}
	}
	for _, week := range []string{"week", "noisy"} {
		for _, channel := range noisyChannels {
			names = append(names, "channel_"+channel+"_"+week)
		}
	}
	return names
}

// noisyChannels are those of the bench week that have noise.
var noisyChannels = []string{"discharge_pressure", "discharge_temperature", "ambient_temperature", "power",
	"motor_current", "voltage_ab", "voltage_bc", "voltage_ca", "speed"}

// codecRows compares ways to code columns, an hour at a time.
func codecRows(ctx context.Context, b *bench) ([]row, error) {
	var rows, channels []row
	for _, noisy := range []bool{false, true} {
		week := "week"
		if noisy {
			week = "noisy"
		}
		columns, err := simulator.BenchWeek(weekSeed, noisy)
		if err != nil {
			return nil, err
		}
		plain, err := newPlainCodec()
		if err != nil {
			return nil, err
		}
		for _, c := range codecs(plain) {
			var sum measured
			for i := range columns {
				if err := ctx.Err(); err != nil {
					return nil, err
				}
				m, err := c.measure(columns[i].Counts)
				if err != nil {
					return nil, fmt.Errorf("column %s: %w", columns[i].Name, err)
				}
				sum.bytes += m.bytes
				sum.encode += m.encode
				sum.decode += m.decode
				if c.name == "store" && columns[i].FloorBits > 0 {
					channels = append(channels, channelRow(&columns[i], week, m.bytes))
				}
			}
			rows = append(rows, codecRow(c, week, sum, len(columns)))
		}
		plain.close()
	}
	return append(rows, channels...), nil
}

func codecRow(c codec, week string, sum measured, columns int) row {
	values := float64(columns * simulator.BenchRows)
	return row{figure: "codec_" + c.name + "_" + week, value: float64(sum.bytes) / values, unit: "B",
		note: fmt.Sprintf("%s; an hour and column at a time; writing %.1f, reading %.2f ns a value",
			c.about, float64(sum.encode.Nanoseconds())/values, float64(sum.decode.Nanoseconds())/values)}
}

// channelRow is a channel against what its noise needs.
func channelRow(c *simulator.BenchColumn, week string, bytes int) row {
	floor := c.FloorBits / 8 / simulator.BenchRows
	value := float64(bytes) / simulator.BenchRows
	return row{figure: strings.Join([]string{"channel", c.Name, week}, "_"), value: value, unit: "B",
		goal: 1.15 * floor, reference: "entropy of its rounded noise", referenceValue: floor,
		note: fmt.Sprintf("%+.1f %% of the floor, which knows the true level of each second", 100*(value/floor-1))}
}

// residualCodec codes differences to a forecast a byte each with finite state
// entropy; what has no byte follows as varints.
type residualCodec struct {
	window  int64 // of the running mean; 0: the value before
	bytes   []byte
	scratch fse.Scratch
	unpack  fse.Scratch
}

const residualEscape = 255

// forecast returns the forecast after value, given the one before.
func (r *residualCodec) forecast(mean, value int64) int64 {
	if r.window == 0 {
		return value << 8
	}
	return mean + (value<<8-mean)/r.window
}

func (r *residualCodec) encode(dst []byte, values []int64) []byte {
	var wide []byte
	r.bytes = r.bytes[:0]
	mean := int64(0)
	for _, v := range values {
		d := v - (mean+128)>>8
		if z := uint64(d<<1) ^ uint64(d>>63); z < residualEscape {
			r.bytes = append(r.bytes, byte(z))
		} else {
			r.bytes = append(r.bytes, residualEscape)
			wide = binary.AppendVarint(wide, d)
		}
		mean = r.forecast(mean, v)
	}
	packed, err := fse.Compress(r.bytes, &r.scratch)
	kind := byte(0)
	switch {
	case errors.Is(err, fse.ErrUseRLE):
		kind, packed = 1, r.bytes[:1]
	case err != nil: // nothing gained
		kind, packed = 2, r.bytes
	}
	dst = binary.AppendUvarint(append(dst, kind), uint64(len(packed)))
	return append(append(dst, packed...), wide...)
}

func (r *residualCodec) decode(column []byte, values []int64) error {
	kind, size, n := column[0], uint64(0), 0
	if size, n = binary.Uvarint(column[1:]); n <= 0 || size > uint64(len(column)-1-n) {
		return errLossy
	}
	packed, wide := column[1+n:][:size], column[1+n:][size:]
	residuals := packed
	switch kind {
	case 0:
		var err error
		if residuals, err = fse.Decompress(packed, &r.unpack); err != nil {
			return err
		}
	case 1:
		residuals = slices.Repeat(packed, len(values))
	}
	if len(residuals) != len(values) {
		return errLossy
	}
	mean := int64(0)
	for i, z := range residuals {
		d := int64(z>>1) ^ -int64(z&1)
		if z == residualEscape {
			if d, n = binary.Varint(wide); n <= 0 {
				return errLossy
			}
			wide = wide[n:]
		}
		values[i] = (mean+128)>>8 + d
		mean = r.forecast(mean, values[i])
	}
	return nil
}

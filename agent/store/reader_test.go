package store

import (
	"encoding/binary"
	"errors"
	"math"
	"slices"
	"testing"

	"loadscribe/agent/scan"
)

// A second decoder of columns, written from the text of FORMAT.md alone, slow
// and plain, that shares nothing with the first but the reading of bytes.

var errPlainReader = errors.New("not as FORMAT.md says")

type plainReader struct {
	b   []byte
	bit int
}

func (r *plainReader) u8() byte {
	if len(r.b) == 0 {
		panic(errPlainReader)
	}
	v := r.b[0]
	r.b = r.b[1:]
	return v
}

func (r *plainReader) uvarint() uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 {
		panic(errPlainReader)
	}
	r.b = r.b[n:]
	return v
}

func (r *plainReader) varint() int64 {
	u := r.uvarint()
	if u%2 == 0 {
		return int64(u / 2)
	}
	return -int64(u/2) - 1
}

func (r *plainReader) length() int { return int(min(r.uvarint(), 1<<30)) }

func (r *plainReader) bytes(n int) []byte {
	if n > len(r.b) {
		panic(errPlainReader)
	}
	v := r.b[:n]
	r.b = r.b[n:]
	return v
}

func (r *plainReader) bits(n int) (v uint64) {
	for i := range n {
		if len(r.b) == 0 {
			panic(errPlainReader)
		}
		v |= uint64(r.b[0]>>r.bit&1) << i
		if r.bit++; r.bit == 8 {
			r.bit, r.b = 0, r.b[1:]
		}
	}
	return v
}

func (r *plainReader) toByte() {
	if r.bit > 0 {
		r.bit, r.b = 0, r.b[1:]
	}
}

func plainColumn(encoding byte, b []byte, n int) (values []int64, err error) {
	defer func() {
		if e := recover(); e != nil {
			values, err = nil, errPlainReader
		}
	}()
	r := &plainReader{b: b}
	mapping, decimals := encoding>>4, 0
	if mapping == 3 || mapping == 4 {
		decimals = int(r.u8())
	}
	if mapping > 4 || decimals > 9 {
		return nil, errPlainReader
	}
	values = r.form(encoding&15, n)
	if len(r.b) > 0 {
		return nil, errPlainReader
	}
	for i, x := range values {
		values[i] = plainMapping(mapping, decimals, x)
	}
	return values, nil
}

func plainMapping(mapping byte, decimals int, x int64) int64 {
	whole := x < 1<<53 && x > -1<<53
	switch {
	case mapping == 1:
		u := uint64(x) ^ 1<<31
		if u&(1<<31) != 0 {
			u ^= 1<<31 - 1
		}
		return int64(u)
	case mapping == 2 && x < 0:
		return x ^ math.MaxInt64
	case mapping == 3 && whole:
		return int64(math.Float32bits(float32(float64(x) / math.Pow(10, float64(decimals)))))
	case mapping == 3:
		return x - 1<<53
	case mapping == 4 && whole:
		return int64(math.Float64bits(float64(x) / math.Pow(10, float64(decimals))))
	}
	return x
}

func (r *plainReader) form(form byte, n int) []int64 {
	values := []int64{}
	switch form {
	case 0:
		if n == 0 {
			return values
		}
		for v := r.varint(); len(values) < n; {
			values = append(values, v)
		}
	case 1:
		v := int64(0)
		for len(values) < n {
			v += r.varint()
			values = appendRun(values, v, r.uvarint(), n)
		}
	case 2:
		first, step := r.varint(), r.varint()
		for i := range n {
			values = append(values, first+int64(i)*step)
		}
	case 3:
		return r.forecast(n)
	case 4:
		runs := int(min(r.uvarint(), uint64(n)+1))
		if runs > n {
			panic(errPlainReader)
		}
		var part [2][]int64
		for i := range part {
			f := r.u8()
			inner := &plainReader{b: r.bytes(r.length())}
			if f == 4 {
				panic(errPlainReader)
			}
			part[i] = inner.form(f, runs)
			if len(inner.b) > 0 {
				panic(errPlainReader)
			}
		}
		for i, v := range part[0] {
			values = appendRun(values, v, uint64(part[1][i]), n)
		}
		if len(values) < n {
			panic(errPlainReader)
		}
	case 5:
		v := int64(0)
		for range n {
			v += r.varint()
			values = append(values, v)
		}
	default:
		panic(errPlainReader)
	}
	return values
}

func appendRun(values []int64, v int64, length uint64, n int) []int64 {
	if length == 0 || length > uint64(n-len(values)) {
		panic(errPlainReader)
	}
	for range length {
		values = append(values, v)
	}
	return values
}

type plainTable struct{ share, below []uint64 }

func (r *plainReader) table() plainTable {
	m := int(r.bits(8))
	if m > 254 {
		panic(errPlainReader)
	}
	class := make([]int, m)
	for s := range class {
		if s < 2 {
			class[s] = int(r.bits(6))
			continue
		}
		u := 0
		for r.bits(1) == 1 {
			u += 2
		}
		u += int(r.bits(1))
		if u%2 == 0 {
			class[s] = class[s-1] + u/2
		} else {
			class[s] = class[s-1] - u/2 - 1
		}
	}
	if slices.Min(append(class, 0)) < 0 || slices.Max(append(class, 0)) > 63 {
		panic(errPlainReader)
	}
	weight := make([]uint64, m)
	sum, occur, highest := uint64(0), uint64(0), 0
	for s, k := range class {
		if weight[s] = uint64(k); k >= 8 {
			weight[s] = uint64(4+k%4) << (k/4 - 1)
		}
		sum += weight[s]
		if k > 0 {
			occur++
		}
		if k > class[highest] {
			highest = s
		}
	}
	if sum == 0 {
		return plainTable{[]uint64{1024}, []uint64{0, 1024}}
	}
	t := plainTable{share: make([]uint64, m), below: make([]uint64, m+1)}
	left := uint64(1024)
	for s, w := range weight {
		if w > 0 {
			t.share[s] = 1 + w*(1024-occur)/sum
			left -= t.share[s]
		}
	}
	t.share[highest] += left
	for s := range t.share {
		t.below[s+1] = t.below[s] + t.share[s]
	}
	return t
}

// plainLane is a lane's forecaster and state.
type plainLane struct {
	at, slope, count int64
	state            uint64
}

func (r *plainReader) forecast(n int) []int64 {
	if n == 0 {
		panic(errPlainReader)
	}
	shape := r.u8()
	window, line, c, lanes := shape%8, shape&8 != 0, int(shape>>4&3), 1
	if shape&64 != 0 {
		lanes = 4
	}
	reset := int64(r.uvarint())
	first, shift, factor, step := int64(0), 0, int64(1), int64(0)
	if shape&128 != 0 {
		first, shift, factor, step = r.varint(), int(r.u8()), r.varint(), r.varint()
	}
	if c > 2 || reset < 0 || reset > 1<<40 || shift > 63 || lanes == 4 && n < 16 {
		panic(errPlainReader)
	}
	high := make([]int64, n)
	q := (n + lanes - 1) / lanes
	lane := make([]plainLane, lanes)
	start := int64(0)
	for j := range lane {
		start += r.varint()
		high[j*q] = start
		lane[j] = plainLane{at: start * 256, count: 1}
	}
	tables := make([]plainTable, 1<<c)
	for i := range tables {
		tables[i] = r.table()
	}
	r.toByte()
	low := &plainReader{b: r.bytes((n*shift + 7) / 8)}
	escapes := &plainReader{b: r.bytes(r.length())}
	for j := range lane {
		lane[j].state = uint64(binary.LittleEndian.Uint32(r.bytes(4)))
	}
	for i := 1; i < q; i++ {
		for j := range lane {
			if j*q+i >= n {
				continue
			}
			l := &lane[j]
			base, f, mirrored := l.at>>8, l.at&255, false
			if mirrored = c > 0 && f >= 128; mirrored {
				f = 255 - f
			}
			t := tables[0]
			if c == 0 {
				base = (l.at + 128) >> 8
			} else {
				t = tables[f>>(7-c)]
			}
			slot, symbol := l.state%1024, 0
			for slot >= t.below[symbol+1] {
				symbol++
			}
			if l.state = t.share[symbol]*(l.state/1024) + slot - t.below[symbol]; l.state < 1<<16 {
				l.state = l.state<<16 + uint64(binary.LittleEndian.Uint16(r.bytes(2)))
			}
			var d int64
			switch {
			case symbol == 0:
				d = escapes.varint()
			case symbol%2 == 1:
				d = int64(symbol / 2)
			default:
				d = -int64(symbol / 2)
			}
			if high[j*q+i] = base + d; mirrored {
				high[j*q+i] = base + 1 - d
			}
			l.next(high[j*q+i], reset, int64(1)<<window, line)
		}
	}
	for j := range lane {
		if lane[j].state != 1<<16 {
			panic(errPlainReader)
		}
	}
	if len(escapes.b) > 0 {
		panic(errPlainReader)
	}
	for i := range high {
		high[i] = first + int64(i)*step + factor*(high[i]<<shift+int64(low.bits(shift)))
	}
	return high
}

func (l *plainLane) next(h, reset, window int64, line bool) {
	off := h*256 - l.at
	if reset > 0 && (off > reset*256 || off < -reset*256) {
		l.count = 1
	} else if l.count < window {
		l.count++
	}
	k := l.count
	level, slope := 65536/k, int64(0)
	if line {
		level = 2 * (2*k - 1) * 65536 / (k * (k + 1))
		if k > 1 {
			slope = 6 * 65536 / (k * (k + 1))
		}
	}
	l.slope += off * slope >> 16
	l.at += off*level>>16 + l.slope
}

// What FORMAT.md says of columns is what the store writes.
func TestFormatText(t *testing.T) {
	var enc columnEncoder
	forms := map[byte]bool{}
	for name, want := range testColumns() {
		for k := range 6 {
			b, form := enc.append(nil, want, scan.Kind(k))
			forms[form] = true
			got, err := plainColumn(form, b, len(want))
			if err != nil || len(got) != len(want) {
				t.Fatalf("%s, kind %d, form %#x: %d values, want %d: %v", name, k, form, len(got), len(want), err)
			}
			for i := range want {
				if got[i] != want[i] {
					t.Fatalf("%s, kind %d, form %#x: value %d is %d, want %d", name, k, form, i, got[i], want[i])
				}
			}
		}
	}
	for _, form := range []byte{0, 1, 2, 3, 4, 5, 0x13, 0x23, 0x33, 0x43} {
		if !forms[form] {
			t.Errorf("no column has the encoding %#x", form)
		}
	}
}

// Both decoders take the same columns and make the same of them.
func FuzzColumn(f *testing.F) {
	var enc columnEncoder
	_, dec := testEncoder(f)
	for _, v := range testColumns() {
		for _, k := range []scan.Kind{scan.KindInt, scan.KindFloat32, scan.KindFloat64} {
			b, form := enc.append(nil, v[:min(len(v), 300)], k)
			f.Add(form, uint16(min(len(v), 300)), b)
		}
	}
	f.Fuzz(func(t *testing.T, form byte, n uint16, b []byte) {
		n %= 4096 // the plain decoder is slow
		got := make([]int64, n)
		err := dec.decode(&columnHead{version: 2, form: form, data: b}, got)
		want, plainErr := plainColumn(form, b, int(n))
		if (err == nil) != (plainErr == nil) {
			t.Fatalf("form %#x, %d values of %x: %v, by the text of FORMAT.md %v", form, n, b, err, plainErr)
		}
		if err == nil && !slices.Equal(got, want) {
			t.Fatalf("form %#x, %d values of %x: %v, by the text of FORMAT.md %v", form, n, b, got, want)
		}
		if err != nil && !errors.Is(err, ErrDamaged) {
			t.Fatalf("form %#x, %d values: %v is not ErrDamaged", form, n, err)
		}
	})
}

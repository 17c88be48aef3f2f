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

package store

import (
	"encoding/binary"
	"slices"
)

// The part of the plain reader that follows the section on forecasts.

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

package store

import (
	"math"
	"math/bits"
	"slices"
)

// How a forecast column is best coded is found by trying forecasters on a part
// of it and comparing what the entropy of their errors says it will cost.
const (
	lanedRows   = 256 // columns from here on have lanes, which decode side by side
	spreadRows  = 256 // values that the spread is told from
	escapeBits  = 20  // about what an escape costs
	symbolBits  = 2.5 // about what a symbol's class costs
	tableBits   = 14
	mostAsIs    = 1 << 40        // forecasts have no room for much greater values
	costSymbols = maxSymbols - 1 // residuals counted one by one
)

// shape finds how the values become whole small numbers: what they rise by
// from row to row, what they are multiples of, and how many low bits are noise
// that no forecast can help with. It fills e.high and e.low.
func (e *forecastWriter) shape(h *forecastHead, v []int64) {
	h.factor = 1
	h.step = e.commonStep(v)
	divisor, most := uint64(0), uint64(0)
	for i, x := range v {
		u := x - v[0] - int64(i)*h.step
		if divisor != 1 && u != 0 {
			divisor = gcd(divisor, magnitude(u))
		}
		most = max(most, magnitude(x))
	}
	if divisor > 1 && divisor <= math.MaxInt64 {
		h.factor = int64(divisor)
	}
	if h.step != 0 || h.factor != 1 || most > mostAsIs {
		h.first = v[0]
	}
	e.high = e.high[:0]
	for i, x := range v {
		u := x - h.first - int64(i)*h.step
		if h.factor != 1 {
			u /= h.factor
		}
		e.high = append(e.high, u)
	}
	first, second := e.spread(e.high)
	if n := bits.Len64(min(first, second)); n > 5 {
		h.shift = uint8(n - 5)
	}
	e.low = e.low[:0]
	if h.shift > 0 {
		w := bitWriter{b: e.low}
		for i, u := range e.high {
			w.put64(uint64(u)&(1<<h.shift-1), uint(h.shift))
			e.high[i] = u >> h.shift
		}
		e.low = w.close()
	}
}

// commonStep is the median of the differences if nearly all have its sign.
func (e *forecastWriter) commonStep(v []int64) int64 {
	d := e.sample[:0]
	for i, stride := 1, 1+len(v)/spreadRows; i < len(v); i += stride {
		d = append(d, v[i]-v[i-1])
	}
	e.sample = d
	if len(d) < 4 {
		return 0
	}
	slices.Sort(d)
	eighth := len(d) / 8
	if d[eighth] > 0 || d[len(d)-1-eighth] < 0 {
		return d[len(d)/2]
	}
	return 0
}

// spread is the median size of the differences and of their differences.
func (e *forecastWriter) spread(v []int64) (first, second uint64) {
	one, two := e.sizes[0][:0], e.sizes[1][:0]
	for i, stride := 2, 1+len(v)/spreadRows; i < len(v); i += stride {
		d := v[i] - v[i-1]
		one = append(one, magnitude(d))
		two = append(two, magnitude(d-(v[i-1]-v[i-2])))
	}
	e.sizes = [2][]uint64{one, two}
	if len(one) == 0 {
		return 0, 0
	}
	slices.Sort(one)
	slices.Sort(two)
	return one[len(one)/2], two[len(two)/2]
}

func magnitude(v int64) uint64 {
	if v < 0 {
		return -uint64(v)
	}
	return uint64(v)
}

func gcd(a, b uint64) uint64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// choose picks the forecaster and the number of tables.
func (e *forecastWriter) choose(h *forecastHead) {
	first, _ := e.spread(e.high)
	noise := int64(min(first, 1<<20))
	best := math.Inf(1)
	try := func(f forecaster, contextBits uint8) bool {
		if cost := e.cost(h, f, contextBits); cost < best {
			best, h.forecaster, h.contextBits = cost, f, contextBits
			return true
		}
		return false
	}
	windows := [2]uint8{}
	for kind, all := range [2][]uint8{{0, 1, 2, 3, 4, 5, 6, 7}, {2, 3, 4, 5}} {
		least := math.Inf(1)
		for _, w := range all {
			f := forecaster{line: kind == 1, window: w}
			cost := e.cost(h, f, 0)
			if cost < least {
				least, windows[kind] = cost, w
			}
			if cost < best {
				best, h.forecaster, h.contextBits = cost, f, 0
			}
		}
	}
	for kind, w := range windows {
		for _, reset := range [3]int64{max(2, 3*noise), max(5, 8*noise), max(16, 24*noise)} {
			for _, longer := range [3]uint8{0, 1, 3} {
				try(forecaster{line: kind == 1, window: min(w+longer, 7), reset: reset}, 0)
			}
		}
	}
	if noise <= 8 {
		for b := uint8(1); b <= maxContextBits; b++ {
			try(h.forecaster, b)
		}
	}
}

// cost estimates the bits of the lanes looked at.
func (e *forecastWriter) cost(h *forecastHead, by forecaster, contextBits uint8) float64 {
	g := by.gains()
	count, rows := h.rowsOf(len(e.high))
	hist := &e.hist
	*hist = [maxTables][maxSymbols]uint32{}
	for l := 0; l < count; l += 2 { // every other lane
		lane := e.high[l*rows : min(len(e.high), (l+1)*rows)]
		f := begin(lane[0])
		for _, value := range lane[1:] {
			base, mirror, context := place(f.at, contextBits)
			z := min(zigzag(residual(base, mirror, value)), costSymbols)
			hist[context][z]++
			f.next(&by, g, value)
		}
	}
	total := 0.0
	for c := range 1 << contextBits {
		sum := uint32(0)
		for z, n := range hist[c] {
			if n == 0 {
				continue
			}
			sum += n
			total += symbolBits - xlog2(n)
			if z == costSymbols {
				total += float64(escapeBits * float64(n))
			}
		}
		if sum > 0 {
			total += tableBits + xlog2(sum)
		}
	}
	return total
}

// xlog2 is n·log2(n). The conversion keeps processors that multiply and add in
// one step from choosing otherwise than others.
func xlog2(n uint32) float64 { return float64(float64(n) * math.Log2(float64(n))) }

package probe

import (
	"fmt"
	"math"
	"strconv"
)

// Reading is one way to read what stands at an address.
type Reading struct {
	Type  string  `json:"type"`            // as in a register map
	Words string  `json:"words,omitempty"` // order of the words where there are two
	Value float64 `json:"value"`
	// Plausible: worth a look. What is not is kept for scripts.
	Plausible bool `json:"plausible"`
}

// Row is one address of a range after it was watched.
type Row struct {
	Address uint16 `json:"address"`
	Hex     string `json:"hex"`  // 4 digits; a bit is 0 or 1
	Bits    string `json:"bits"` // from bit 15 to bit 0; empty for a single bit
	// Before and After are the neighbours' raw values, for values of two words
	// and for addresses that are off by one; nil where they are not read.
	Before   *uint16   `json:"before"`
	After    *uint16   `json:"after"`
	Readings []Reading `json:"readings"`
	// Movement is that of the reading in MovesAs.
	Movement  Movement `json:"movement"`
	MovesAs   string   `json:"moves_as"`
	BitsMoved []int    `json:"bits_moved,omitempty"`
	// Also are the movements of two-word readings that look like values.
	Also []string `json:"also,omitempty"`

	raw uint16
}

// plausible bounds of a float: what a machine's readings lie within, or zero.
const (
	leastFloat = 1e-3
	mostFloat  = 1e7
	mostU32    = 1e9
)

func plausibleFloat(v float64) bool {
	a := math.Abs(v)
	return !math.IsNaN(v) && (v == 0 || a >= leastFloat && a <= mostFloat)
}

func join(first, second uint16, little bool) uint32 {
	if little {
		first, second = second, first
	}
	return uint32(first)<<16 | uint32(second)
}

func float(first, second uint16, little bool) float64 {
	return float64(math.Float32frombits(join(first, second, little)))
}

// readings returns all readings of a register and the one behind it (nil where
// that is not read).
func readings(word uint16, next *uint16) []Reading {
	all := []Reading{
		{Type: "u16", Value: float64(word), Plausible: true},
		{Type: "i16", Value: float64(int16(word)), Plausible: word > math.MaxInt16},
	}
	if next == nil {
		return all
	}
	for _, words := range []string{"big", "little"} {
		little := words == "little"
		whole := join(word, *next, little)
		all = append(all, Reading{Type: "u32", Words: words, Value: float64(whole), Plausible: whole > math.MaxUint16 && whole < mostU32})
	}
	for _, words := range []string{"big", "little"} {
		v := float(word, *next, words == "little")
		r := Reading{Type: "f32", Words: words, Value: v, Plausible: plausibleFloat(v) && v != 0}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			r.Value = 0 // no number: never plausible
		}
		all = append(all, r)
	}
	return all
}

// Rows makes rows of what was seen of a range. Cells that are not here, or
// were never read, have no row.
func (r *Range) Rows(seen []Snapshot) []Row {
	var rows []Row
	for i := range r.Cells {
		last := lastGood(seen, i)
		if last < 0 {
			continue
		}
		row := Row{Address: r.Cells[i].Address, raw: seen[last].Words[i]}
		if i > 0 && seen[last].Good[i-1] {
			before := seen[last].Words[i-1]
			row.Before = &before
		}
		if i+1 < len(r.Cells) && seen[last].Good[i+1] {
			after := seen[last].Words[i+1]
			row.After = &after
		}
		if r.IsBits() {
			row.Hex = strconv.Itoa(int(row.raw))
			row.Readings = []Reading{{Type: "bit", Value: float64(row.raw), Plausible: true}}
			row.MovesAs = "bit"
			row.Movement = Judge(series(seen, i, func(w, _ uint16) float64 { return float64(w) }, false), 0)
		} else {
			row.Hex = fmt.Sprintf("%04X", row.raw)
			row.Bits = fmt.Sprintf("%04b %04b %04b %04b", row.raw>>12, row.raw>>8&15, row.raw>>4&15, row.raw&15)
			row.Readings = readings(row.raw, row.After)
			row.judge(seen, i)
		}
		rows = append(rows, row)
	}
	return rows
}

func lastGood(seen []Snapshot, cell int) int {
	for s := len(seen) - 1; s >= 0; s-- {
		if seen[s].Good[cell] {
			return s
		}
	}
	return -1
}

// judge finds the row's movement: as a float where it looks like one all the
// time, else as a whole register.
func (row *Row) judge(seen []Snapshot, i int) {
	row.MovesAs = "u16"
	row.Movement = Judge(series(seen, i, func(w, _ uint16) float64 { return float64(w) }, false), 1<<16)
	row.BitsMoved = bitsMoved(seen, i)
	for _, r := range row.Readings {
		if !r.Plausible || r.Words == "" {
			continue
		}
		little := r.Words == "little"
		value := func(w, next uint16) float64 { return float64(join(w, next, little)) }
		modulus := float64(1 << 32)
		if r.Type == "f32" {
			value = func(w, next uint16) float64 { return float(w, next, little) }
			modulus = 0
		}
		points := series(seen, i, value, true)
		if r.Type == "f32" && !allPlausible(points) || r.Type == "u32" && !carries(seen, i, little) {
			continue
		}
		m := Judge(points, modulus)
		if m.Kind == Steady && row.Movement.Kind == Steady {
			continue
		}
		as := r.Type + " " + r.Words
		row.Also = append(row.Also, as+": "+m.Text)
	}
}

// carries reports whether two words move like one: the high word went on by one
// step at most, once or more. Two values side by side seldom do; where the high
// word stands still, the low one's movement says all there is.
func carries(seen []Snapshot, i int, little bool) bool {
	high := series(seen, i, func(w, next uint16) float64 {
		if little {
			return float64(next)
		}
		return float64(w)
	}, true)
	moved := false
	for n := 1; n < len(high); n++ {
		switch math.Abs(high[n].Value - high[n-1].Value) {
		case 0:
		case 1:
			moved = true
		default:
			return false
		}
	}
	low := series(seen, i, func(w, next uint16) float64 {
		if little {
			return float64(w)
		}
		return float64(next)
	}, true)
	_, wraps := unwrap(low, 1<<16)
	return moved && wraps
}

func allPlausible(points []Point) bool {
	for _, p := range points {
		if !plausibleFloat(p.Value) {
			return false
		}
	}
	return len(points) > 0
}

// series takes a cell's values over the snapshots in which it was read.
func series(seen []Snapshot, i int, value func(word, next uint16) float64, pair bool) []Point {
	var points []Point
	for _, s := range seen {
		if !s.Good[i] || pair && (i+1 >= len(s.Good) || !s.Good[i+1]) {
			continue
		}
		next := uint16(0)
		if i+1 < len(s.Words) {
			next = s.Words[i+1]
		}
		points = append(points, Point{Seconds: s.At.Sub(seen[0].At).Seconds(), Value: value(s.Words[i], next)})
	}
	return points
}

// bitsMoved lists which bits of a register changed, from bit 0 on.
func bitsMoved(seen []Snapshot, i int) (moved []int) {
	var changed, before uint16
	first := true
	for _, s := range seen {
		if !s.Good[i] {
			continue
		}
		if !first {
			changed |= s.Words[i] ^ before
		}
		before, first = s.Words[i], false
	}
	for bit := range 16 {
		if changed>>bit&1 == 1 {
			moved = append(moved, bit)
		}
	}
	return moved
}

package poll

import (
	"math"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Words returns the 16-bit words that a register channel's raw value stood in,
// in the order of their addresses: what Decode made it of. ok is false where raw
// does not tell: single bits, which leave out their neighbours, texts, and BCD
// that is not good, which may be kept as plain bits.
func Words(mc *sitefile.MapChannel, raw int64, quality scan.Reason) (words []uint16, ok bool) {
	if mc.IsBit() || mc.Text != nil || mc.Table != sitefile.Input && mc.Table != sitefile.Holding {
		return nil, false
	}
	bits := uint64(raw)
	if mc.Type == "bcd16" || mc.Type == "bcd32" {
		if bits, ok = toBCD(raw, 4*mc.Registers()); !ok || quality != scan.Good {
			return nil, false
		}
	}
	n := mc.Registers()
	words = make([]uint16, n)
	for i := range words {
		at := n - 1 - i // from the highest word down
		if mc.WordsLittle {
			at = i
		}
		words[i] = uint16(bits >> (16 * at) & math.MaxUint16)
	}
	return words, true
}

// toBCD writes v as digits of four bits each.
func toBCD(v int64, digits int) (word uint64, ok bool) {
	if v < 0 {
		return 0, false
	}
	for i := range digits {
		word |= uint64(v%10) << (4 * i)
		v /= 10
	}
	return word, v == 0
}

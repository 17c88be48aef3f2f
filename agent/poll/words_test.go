package poll

import (
	"math/rand/v2"
	"slices"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// TestWords: the words shown are those that were decoded, for every type and
// order, whatever stood in them.
func TestWords(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, typ := range []string{"u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bcd16", "bcd32"} {
		for _, little := range []bool{false, true} {
			for range 200 {
				mc := ch("a", sitefile.Holding, 3, typ)
				mc.WordsLittle = little
				payload := make([]byte, 2*mc.Registers())
				for i := range payload {
					if payload[i] = byte(rng.Uint32()); typ[0] == 'b' {
						payload[i] = byte(rng.IntN(10)<<4 | rng.IntN(10))
					}
				}
				raw, reason, _ := decodeOne(t, mc, payload)
				if reason == scan.Implausible {
					continue // a float that is no number
				}
				var want []uint16
				for i := 0; i < len(payload); i += 2 {
					want = append(want, uint16(payload[i])<<8|uint16(payload[i+1]))
				}
				if got, ok := Words(&mc, raw, reason); !ok || !slices.Equal(got, want) {
					t.Fatalf("%s little=%t: %04X, want %04X", typ, little, got, want)
				}
			}
		}
	}
}

// TestWordsNotKnown: nothing is made up where the raw value does not tell.
func TestWordsNotKnown(t *testing.T) {
	bit := ch("a", sitefile.Holding, 0, "u16")
	bit.Bit = 3
	text := ch("a", "", 0, "decimal")
	text.Text = &sitefile.TextField{}
	bcd := ch("a", sitefile.Input, 0, "bcd16")
	for name, one := range map[string]struct {
		mc  sitefile.MapChannel
		raw int64
		why scan.Reason
	}{"a bit": {bit, 1, scan.Good}, "a coil": {ch("a", sitefile.Coil, 0, "bit"), 1, scan.Good}, "a text": {text, 2561, scan.Good}, "no BCD": {bcd, 0xFFFF, scan.Good}, "below nought": {bcd, -1, scan.Good}, "bits that are no digits": {bcd, 0x0A1F, scan.Implausible}} {
		if words, ok := Words(&one.mc, one.raw, one.why); ok {
			t.Errorf("%s: %04X", name, words)
		}
	}
}

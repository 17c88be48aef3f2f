package textline

import (
	"encoding/csv"
	"encoding/hex"
	"errors"
	"os"
	"strconv"
	"testing"
)

// TestCRCVectors holds CRC-16/MODBUS against the published values of
// modbus_crc.csv (source and basis beside each row), among them the catalogue
// check value 4B37 of "123456789", read.
func TestCRCVectors(t *testing.T) {
	f, err := os.Open("../../testdata/vectors/modbus_crc.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 4 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		in, err := hex.DecodeString(row[0])
		if err != nil {
			t.Fatal(err)
		}
		want, err := strconv.ParseUint(row[1], 0, 16)
		if err != nil {
			t.Fatal(err)
		}
		if got := CRC16.of(in); got != uint16(want) {
			t.Errorf("CRC of %s: got %04X, want %04X (%s)", row[0], got, want, row[2])
		}
	}
}

// TestChecksums: how sums over a text are written. The sums of "123456789" by
// hand: the characters are 31 to 39, their sum is 9·0x35 = 0x1DD, of which
// eight bits stay: DD; by exclusive or the pairs 32^33, 34^35, 36^37, 38^39
// give 1 each, which cancel, and 31 stays.
func TestChecksums(t *testing.T) {
	tests := []struct {
		name string
		sum  Checksum
		text string
		want string
	}{
		{"none", Checksum{}, "123456789", ""},
		{"sum-8", Checksum{Kind: Sum8}, "123456789", "DD"},
		{"sum-8, a byte", Checksum{Kind: Sum8, Raw: true}, "123456789", "\xDD"},
		{"xor-8", Checksum{Kind: XOR8}, "123456789", "31"},
		{"CRC, high first", Checksum{Kind: CRC16}, "123456789", "4B37"},
		{"CRC, low first", Checksum{Kind: CRC16, LowFirst: true}, "123456789", "374B"},
		{"CRC, bytes, low first", Checksum{Kind: CRC16, LowFirst: true, Raw: true}, "123456789", "\x37\x4B"},
		{"a span", Checksum{Kind: CRC16, After: []byte("$"), Before: []byte("*")}, "x$123456789*", "4B37"},
		{"of nothing", Checksum{Kind: Sum8, After: []byte("$")}, "$", "00"},
		{"last star, first dollar", Checksum{Kind: Sum8, After: []byte("$"), Before: []byte("*")}, "$*$*", "4E"}, // "*$": 2A + 24
	}
	for _, tt := range tests {
		got, err := tt.sum.Append([]byte("to "), []byte(tt.text))
		if err != nil || string(got) != "to "+tt.want {
			t.Errorf("%s: got %q, %v, want %q", tt.name, got, err, "to "+tt.want)
		}
		if !tt.sum.fits([]byte(tt.text), []byte(tt.want)) {
			t.Errorf("%s: %q does not fit", tt.name, tt.want)
		}
		if len(tt.want) != tt.sum.width() {
			t.Errorf("%s: %d characters, width %d", tt.name, len(tt.want), tt.sum.width())
		}
	}
	sum := Checksum{Kind: XOR8, After: []byte("$"), Before: []byte("*")}
	for _, text := range []string{"123", "$123", "12*", "*$"} {
		if _, err := sum.Append(nil, []byte(text)); !errors.Is(err, errNotCovered) {
			t.Errorf("%q: got %v, want %v", text, err, errNotCovered)
		}
	}
	if !(&Checksum{Kind: CRC16}).fits([]byte("123456789"), []byte("4b37")) {
		t.Error("small digits do not fit")
	}
}

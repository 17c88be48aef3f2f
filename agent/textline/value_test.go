package textline

import (
	"math"
	"testing"

	"loadscribe/agent/scan"
)

func dec(mantissa int64, decimals int64) int64 { return mantissa<<8 | decimals }

func TestForms(t *testing.T) {
	word := Form{As: Word, Words: map[string]int64{"RUN": 1, "STOP": 0, "E 4": -4}}
	hexa := Form{As: Hexadecimal, Bit: -1}
	signed := Form{As: Hexadecimal, Bit: -1, Signed: true}
	fixed := Form{As: Fixed, Decimals: 1}
	absent := Form{Absent: []string{"---.-", "999.9"}}
	tests := []struct {
		name   string
		form   Form
		text   string
		want   int64
		reason scan.Reason
	}{
		{"decimal", Form{}, "103.4", dec(1034, 1), scan.Good},
		{"every digit counts", Form{}, "7.20", dec(720, 2), scan.Good},
		{"zeros in front", Form{}, "007", dec(7, 0), scan.Good},
		{"negative", Form{}, "-0.5", dec(-5, 1), scan.Good},
		{"plus", Form{}, "+12", dec(12, 0), scan.Good},
		{"spaces around and behind the sign", Form{}, "  -  7.5 ", dec(-75, 1), scan.Good},
		{"point at the ends", Form{}, ".5", dec(5, 1), scan.Good},
		{"point behind", Form{}, "5.", dec(5, 0), scan.Good},
		{"greatest", Form{}, "36028797018963967", dec(1<<55-1, 0), scan.Good},
		{"least", Form{}, "-36028797018963967", dec(-(1<<55 - 1), 0), scan.Good},
		{"too great", Form{}, "36028797018963968", 0, scan.Implausible},
		{"18 decimals", Form{}, "0.000000000000000001", dec(1, 18), scan.Good},
		{"19 decimals", Form{}, "0.0000000000000000001", 0, scan.Implausible},
		{"empty", Form{}, "", 0, scan.Implausible},
		{"a sign alone", Form{}, "-", 0, scan.Implausible},
		{"a point alone", Form{}, ".", 0, scan.Implausible},
		{"two points", Form{}, "1.2.3", 0, scan.Implausible},
		{"two signs", Form{}, "--1", 0, scan.Implausible},
		{"an exponent", Form{}, "1e3", 0, scan.Implausible},
		{"letters", Form{}, "OVER", 0, scan.Implausible},
		{"comma where a point is wanted", Form{}, "7,2", 0, scan.Implausible},
		{"comma", Form{Comma: true}, "7,2", dec(72, 1), scan.Good},
		{"point where a comma is wanted", Form{Comma: true}, "1.007,2", 0, scan.Implausible},
		{"digits of another script", Form{}, "١٢", 0, scan.Implausible},

		{"fixed", fixed, "0725", dec(725, 1), scan.Good},
		{"fixed, negative", fixed, "-25", dec(-25, 1), scan.Good},
		{"fixed, with a point", fixed, "72.5", 0, scan.Implausible},

		{"hexadecimal", hexa, "1a2F", 0x1A2F, scan.Good},
		{"hexadecimal, greatest", hexa, "7FFFFFFFFFFFFFFF", math.MaxInt64, scan.Good},
		{"hexadecimal, too great", hexa, "8000000000000000", 0, scan.Implausible},
		{"hexadecimal, prefix", hexa, "0x10", 0, scan.Implausible},
		{"hexadecimal, sign", hexa, "-10", 0, scan.Implausible},
		{"hexadecimal, underscore", hexa, "1_0", 0, scan.Implausible},
		{"hexadecimal, empty", hexa, " ", 0, scan.Implausible},
		{"signed, four digits", signed, "FFF6", -10, scan.Good},
		{"signed, positive", signed, "7FFF", 32767, scan.Good},
		{"signed, two digits", signed, "80", -128, scan.Good},
		{"signed, 16 digits", signed, "FFFFFFFFFFFFFFFF", -1, scan.Good},
		{"signed, 17 digits", signed, "0FFFFFFFFFFFFFFFF", 0, scan.Implausible},
		{"bit 3 set", Form{As: Hexadecimal, Bit: 3}, "08", 1, scan.Good},
		{"bit 3 clear", Form{As: Hexadecimal, Bit: 3}, "F7", 0, scan.Good},

		{"word", word, " RUN ", 1, scan.Good},
		{"word with a space", word, "E 4", -4, scan.Good},
		{"another case", word, "run", 0, scan.Implausible},
		{"unknown word", word, "TEST", 0, scan.Implausible},

		{"no value", absent, "---.-", 0, scan.Absent},
		{"no value, in digits", absent, "999.9", dec(9999, 1), scan.Absent},
		{"a value", absent, "99.9", dec(999, 1), scan.Good},
	}
	for _, tt := range tests {
		if got, reason := tt.form.Read(tt.text); got != tt.want || reason != tt.reason {
			t.Errorf("%s: %q: got %d, %v, want %d, %v", tt.name, tt.text, got, reason, tt.want, tt.reason)
		}
	}
}

func TestPattern(t *testing.T) {
	fields := []Field{
		{Group: "p", Into: 2},
		{Group: "state", Into: 0, Form: Form{As: Word, Words: map[string]int64{"RUN": 1}}},
		{Group: "t", Into: 1},
	}
	p, err := NewPattern(`P=(?P<p>[0-9.]+)( T=(?P<t>[0-9.]+))? (?P<state>\w+)`, fields)
	if err != nil {
		t.Fatal(err)
	}
	type value struct {
		raw    int64
		reason scan.Reason
	}
	tests := []struct {
		text string
		want map[int]value // nil: no match
	}{
		{"P=7.2 T=81 RUN", map[int]value{2: {dec(72, 1), scan.Good}, 1: {dec(81, 0), scan.Good}, 0: {1, scan.Good}}},
		{"P=7.2 RUN", map[int]value{2: {dec(72, 1), scan.Good}, 1: {0, scan.Absent}, 0: {1, scan.Good}}},
		{"P=7..2 WAIT", map[int]value{2: {0, scan.Implausible}, 1: {0, scan.Absent}, 0: {0, scan.Implausible}}},
		{"xP=7.2 RUN", nil},
		{"P=7.2 RUN ", nil},
		{"P=7.2 RUN\n", nil},
		{"", nil},
	}
	for _, tt := range tests {
		got := map[int]value{}
		ok := p.Decode(tt.text, func(into int, raw int64, reason scan.Reason) { got[into] = value{raw, reason} })
		if ok != (tt.want != nil) || ok != p.Matches(tt.text) {
			t.Errorf("%q: decoded %t, matches %t", tt.text, ok, p.Matches(tt.text))
		}
		for i, v := range tt.want {
			if got[i] != v {
				t.Errorf("%q: value %d: got %v, want %v", tt.text, i, got[i], v)
			}
		}
	}
	for _, bad := range []string{`(?P<p>.`, `a)(?P<p>.`, `(?P<x>.)`, `(.)`} {
		if _, err := NewPattern(bad, fields[:1]); err == nil {
			t.Errorf("pattern %q: no error", bad)
		}
	}
}

// TestBytesAreCharacters: a byte is the character with its number, so that a
// degree sign of one byte can be named, and bytes that happen to be UTF-8 do
// not become fewer.
func TestBytesAreCharacters(t *testing.T) {
	p, err := NewPattern(`(?P<t>\d+)\xB0F ..`, []Field{{Group: "t"}})
	if err != nil {
		t.Fatal(err)
	}
	if text := characters([]byte("187\xB0F \xC3\xA9")); !p.Matches(text) {
		t.Errorf("%q does not match", text)
	}
}

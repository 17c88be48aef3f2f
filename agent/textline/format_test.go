package textline

import (
	"bytes"
	"testing"
	"time"

	"loadscribe/agent/scan"
)

// cutAll cuts a stream that comes in pieces of at most size bytes, and then
// falls silent.
func cutAll(f *Format, stream string, size int) (texts []string, bad int) {
	var held []byte
	step := func(idle bool) {
		for {
			text, n, what := f.cut(held, idle)
			held = held[n:]
			switch {
			case what == whole && len(text) > 0:
				texts = append(texts, string(text))
			case what == damaged, what == noise:
				bad++
			}
			if n == 0 || what == nothing {
				return
			}
		}
	}
	for len(stream) > 0 {
		n := min(size, len(stream))
		held = append(held, stream[:n]...)
		stream = stream[n:]
		step(false)
	}
	step(true)
	return texts, bad
}

func TestFormats(t *testing.T) {
	xor := Checksum{Kind: XOR8, After: []byte("$"), Before: []byte("*")}
	crc := Checksum{Kind: CRC16, LowFirst: true, Raw: true}
	bcc := Checksum{Kind: XOR8, Raw: true, BehindEnd: true, After: []byte("\x02")}
	tests := []struct {
		name   string
		format Format
		stream string
		want   []string
		bad    int
	}{
		{"CR LF", Format{}, "a\r\nb\r\n", []string{"a", "b"}, 0},
		{"LF", Format{}, "a\nb\n", []string{"a", "b"}, 0},
		{"CR", Format{}, "a\rb\r", []string{"a", "b"}, 0},
		{"LF CR, empty lines and NULs", Format{}, "\x00\n\ra\n\r\n\n\x00b\x00\r", []string{"a", "b"}, 0},
		{"no end", Format{}, "a\r\nb", []string{"a"}, 0},
		{"an end of its own", Format{Ends: []byte(";\r")}, "a\nb;c;\r\nd;\r", []string{"a\nb;c", "d"}, 0},
		{"CR given, CR LF comes", Format{Ends: []byte("\r")}, "a\r\nb\r\n", []string{"a", "b"}, 0},
		{"LF given, CR LF comes", Format{Ends: []byte("\n")}, "a\r\nb\r\n", []string{"a", "b"}, 0},
		{"beginning", Format{Begins: []byte("\x02"), Ends: []byte("\x03")}, "zz\x02a\x03\x02torn\x02b\x03zz\x03", []string{"a", "b"}, 1},
		// 37 XOR 2E XOR 32 = 2B, by hand.
		{"xor in digits", Format{Checksum: xor}, "$7.2*2B\r\n$7.3*2B\r\nnoise\r\n$7.2*2b\r\n2\r\n", []string{"$7.2*", "$7.2*"}, 3},
		// CRC of "123456789" is 4B37, of "" FFFF.
		{"CRC in bytes", Format{Ends: []byte("\r"), Checksum: crc}, "123456789\x37\x4B\r123456780\x37\x4B\r", []string{"123456789"}, 1},
		// 02 41 03 with the check byte 41^03 = 42 behind the end.
		{"behind the end", Format{Begins: []byte("\x02"), Ends: []byte("\x03"), Checksum: bcc}, "\x02A\x03\x42\x02B\x03\x42\x02A\x03\x42", []string{"A", "A"}, 1},
	}
	for _, tt := range tests {
		for size := 1; size <= len(tt.stream); size++ {
			got, bad := cutAll(&tt.format, tt.stream, size)
			if !equal(got, tt.want) || bad != tt.bad {
				t.Errorf("%s, in pieces of %d: got %q and %d bad, want %q and %d", tt.name, size, got, bad, tt.want, tt.bad)
				break
			}
		}
	}
}

func equal(a, b []string) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// TestRawChecksumLooksLikeEnd: whatever bytes the checksum has, CR among them,
// the text is found, in any pieces.
func TestRawChecksumLooksLikeEnd(t *testing.T) {
	tests := []Checksum{{Kind: CRC16, Raw: true}, {Kind: CRC16, Raw: true, LowFirst: true}, {Kind: Sum8, Raw: true}, {Kind: XOR8, Raw: true}}
	for _, sum := range tests {
		f := Format{Ends: []byte("\r"), Checksum: sum}
		lookalike := 0
		for i := range 5000 {
			text := []byte{'P', byte('0' + i%10), byte('0' + i/10%10), byte('0' + i/100%10), byte('0' + i/1000)}
			wire, err := sum.Append(bytes.Clone(text), text)
			if err != nil {
				t.Fatal(err)
			}
			if bytes.IndexByte(wire, '\r') >= 0 {
				lookalike++
			}
			for _, size := range []int{1, 3, 100} {
				got, bad := cutAll(&f, string(wire)+"\r", size)
				if len(got) != 1 || got[0] != string(text) || bad != 0 {
					t.Fatalf("%+v: %q: got %q and %d bad", sum, wire, got, bad)
				}
			}
		}
		if sum.Kind == CRC16 && lookalike == 0 {
			t.Errorf("%+v: no checksum held the end, nothing was tried", sum)
		}
	}
}

func TestQuietEndsAText(t *testing.T) {
	f := Format{Quiet: 50 * time.Millisecond}
	if _, n, what := f.cut([]byte("a\r\nb"), false); n != 0 || what != nothing {
		t.Errorf("before the silence: %d, %v", n, what)
	}
	if text, n, what := f.cut([]byte("\r\na\r\nb\r\n"), true); string(text) != "a\r\nb" || n != 8 || what != whole {
		t.Errorf("after the silence: %q, %d, %v", text, n, what)
	}
}

// FuzzFormat: whatever comes, cutting goes on, takes no more than there is,
// and accepts only texts whose checksum fits.
func FuzzFormat(f *testing.F) {
	f.Add([]byte("$7.2*2B\r\nx"), []byte("$"), []byte("\r\n"), uint8(0x02), true)
	f.Add([]byte("\x02A\x03\x42"), []byte("\x02"), []byte("\x03"), uint8(0x9A), false)
	f.Add([]byte("123456789\x37\x4B\r"), []byte{}, []byte("\r"), uint8(0x0F), false)
	f.Fuzz(func(t *testing.T, stream, begins, ends []byte, how uint8, idle bool) {
		format := Format{Begins: begins, Ends: ends, Checksum: Checksum{
			Kind: Sum(how & 3), Raw: how&4 != 0, LowFirst: how&8 != 0, BehindEnd: how&16 != 0 && len(ends) > 0}}
		if how&32 != 0 {
			format.Quiet = time.Millisecond
		}
		if how&64 != 0 && len(begins) > 0 {
			format.Checksum.After = begins
		}
		for rest := stream; ; {
			text, n, what := format.cut(rest, idle)
			if n < 0 || n > len(rest) || len(text) > n || what != nothing && n == 0 {
				t.Fatalf("%q: took %d, %q, %v", rest, n, text, what)
			}
			rest = rest[n:]
			if what == nothing {
				break
			}
		}
	})
}

// FuzzPattern: whatever stands in a text, the decoder sets each field once, and
// what it calls good reads back as a number.
func FuzzPattern(f *testing.F) {
	f.Add("P=7.2 T=FF S=RUN")
	f.Add("P=-36028797018963967 T=7FFFFFFFFFFFFFFF S=STOP")
	f.Add("P= T=\xff S=\x00")
	p, err := NewPattern(`(?s)P=(?P<p>.*?) T=(?P<t>.*?) S=(?P<s>.*)`, []Field{
		{Group: "p", Into: 0}, {Group: "p", Into: 1, Form: Form{As: Fixed, Decimals: 18}},
		{Group: "t", Into: 2, Form: Form{As: Hexadecimal, Bit: -1, Signed: true}}, {Group: "t", Into: 3, Form: Form{As: Hexadecimal, Bit: 62}},
		{Group: "s", Into: 4, Form: Form{As: Word, Words: map[string]int64{"RUN": 1, "STOP": 0}}}})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text string) {
		set := map[int]int{}
		ok := p.Decode(characters([]byte(text)), func(into int, raw int64, reason scan.Reason) {
			set[into]++
			if into <= 1 && reason == scan.Good {
				if d := raw & 0xff; d > 18 || raw>>8 > maxMantissa || raw>>8 < -maxMantissa {
					t.Fatalf("%q: raw %d has %d decimals", text, raw, d)
				}
			}
			if into >= 3 && reason == scan.Good && raw != 0 && raw != 1 {
				t.Fatalf("%q: field %d is %d", text, into, raw)
			}
		})
		if ok != (len(set) == 5) {
			t.Fatalf("%q: matched %t, %d fields", text, ok, len(set))
		}
	})
}

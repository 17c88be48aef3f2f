package evidence

import (
	"bytes"
	"encoding/binary"
	"strings"
	"unicode/utf16"
)

// MaxMail is how long a text is looked through for a checkpoint.
const MaxMail = 1 << 20

// FromMail returns the checkpoint within a text that went through mail, an
// editor, a page of print or a shell's redirection: lines that begin or end
// in blanks or end in CR LF, a byte order mark, UTF-16, a dash that was
// written in another code page, long lines that were broken, other text above
// and below. None of that is signed: the signature still has to fit. Of a
// text in which none fits, what looks most like one comes back, or all of it.
func FromMail(text []byte) []byte {
	if len(text) > MaxMail {
		return text
	}
	all := strings.Split(strings.TrimPrefix(fromUTF16(text), "\ufeff"), "\n")
	for i := range all {
		all[i] = strings.Trim(all[i], " \t\r\f")
	}
	var first []byte
	for i := range all {
		if !strings.HasPrefix(all[i], "loadscribe/") {
			continue
		}
		for _, found := range [][]byte{asLines(all[i:]), joined(all[i:])} {
			if _, err := ParseCheckpoint(found); err == nil {
				return found
			}
			if first == nil {
				first = found
			}
		}
	}
	if first == nil {
		return text
	}
	return first
}

// asLines is the checkpoint of eight lines that begins all; nil: there are fewer.
func asLines(all []string) []byte {
	const lines = 8
	if len(all) < lines {
		return nil
	}
	last := all[lines-1]
	if _, signature, ok := strings.Cut(last, " loadscribe/"); ok {
		last = "\u2014 loadscribe/" + signature
	}
	return []byte(strings.Join(all[:lines-1], "\n") + "\n" + last + "\n")
}

// joined is the checkpoint that begins all, its words put in their lines
// again: where a page or a mail has room for 70 letters or so, the key's and the
// signature's lines are broken, between words or within. nil: it is none.
func joined(all []string) []byte {
	const (
		most          = 60             // lines that it may take, with a page's foot and head within
		keyTail       = 1 + 8 + 1 + 44 // letters of a verifier key behind its name: +hash+key
		signatureSize = 92             // letters of a signature: 4 bytes of hash and 64
	)
	words := strings.Fields(strings.Join(all[:min(len(all), most)], "\n"))
	next := func() (word string) {
		if len(words) > 0 {
			word, words = words[0], words[1:]
		}
		return word
	}
	whole := func(letters int) (word string) {
		for len(word) < letters && len(words) > 0 {
			word += next()
		}
		return word
	}
	origin, size, root := next(), next(), next()
	made, at, readings, from := next(), next(), next(), next()
	if from != "none" {
		from += " " + next()
	}
	if made != "made" || readings != "readings" || next() != "key" {
		return nil
	}
	key := whole(len(origin) + keyTail)
	for len(words) > 0 && next() != origin { // the dash
	}
	return []byte(strings.Join([]string{origin, size, root, made + " " + at, readings + " " + from, "key " + key, "",
		"\u2014 " + origin + " " + whole(signatureSize), ""}, "\n"))
}

// fromUTF16 decodes a text that begins with a byte order mark of UTF-16, as
// some shells write files; any other is as it was.
func fromUTF16(text []byte) string {
	var order binary.ByteOrder
	switch {
	case bytes.HasPrefix(text, []byte{0xff, 0xfe}):
		order = binary.LittleEndian
	case bytes.HasPrefix(text, []byte{0xfe, 0xff}):
		order = binary.BigEndian
	default:
		return string(text)
	}
	units := make([]uint16, 0, len(text)/2)
	for b := text[2:]; len(b) >= 2; b = b[2:] {
		units = append(units, order.Uint16(b))
	}
	return string(utf16.Decode(units))
}

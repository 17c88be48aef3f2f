package chart

import (
	"bytes"
	"math"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// Face is a typeface of pictures and printed pages: its file, and how wide its
// letters are.
type Face struct {
	ttf []byte
	// thousandths of the size, rounded as a PDF's table of widths has them, of
	// every letter that the face has.
	thousandths map[rune]int
}

// Regular, Bold and Mono are the Go fonts. Safe for concurrent use.
var (
	Regular = sync.OnceValue(func() *Face { return read(goregular.TTF) })
	Bold    = sync.OnceValue(func() *Face { return read(gobold.TTF) })
	Mono    = sync.OnceValue(func() *Face { return read(gomono.TTF) })
)

// read panics where a font of the program's own cannot be read.
func read(ttf []byte) *Face {
	of, err := sfnt.Parse(ttf)
	if err != nil {
		panic("chart: a Go font cannot be read: " + err.Error())
	}
	f := &Face{ttf: ttf, thousandths: map[rune]int{}}
	em := of.UnitsPerEm()
	var buffer sfnt.Buffer
	for r := rune(0x20); r <= 0xffff; r++ {
		glyph, err := of.GlyphIndex(&buffer, r)
		if err != nil || glyph == 0 || unicode.IsControl(r) {
			continue
		}
		// At a size of as many pixels as the em has units an advance is in these.
		advance, err := of.GlyphAdvance(&buffer, glyph, fixed.I(int(em)), font.HintingNone)
		if err != nil {
			continue
		}
		f.thousandths[r] = int(math.Round(float64(advance) / 64 * 1000 / float64(em)))
	}
	return f
}

// TTF is a copy of the font file: the writer of PDFs writes into what it is given (the
// first letter's side bearing of a font whose letters are all as wide), and its second
// file would not be its first.
func (f *Face) TTF() []byte { return bytes.Clone(f.ttf) }

// Width is how wide a text is, in points at a size in points; of what Shown gives.
func (f *Face) Width(text string, sizePt float64) float64 {
	sum := 0
	for _, r := range text {
		sum += f.thousandths[r]
	}
	return float64(sum) * sizePt / 1000
}

// Lacking stands for a letter that the fonts do not have.
const Lacking = '□'

// Shown is a text as the fonts can show it: each letter that they lack, and what is
// not UTF-8, becomes Lacking, and each white space a space. Fonts of PDFs are asked
// for nothing else: the writer of PDFs fails on a broken letter, and one beyond
// U+FFFF becomes another.
func Shown(text string) string {
	face := Regular() // all three have the same letters: TestFaces
	clean := func(r rune) bool { _, has := face.thousandths[r]; return has && r != utf8.RuneError }
	if strings.IndexFunc(text, func(r rune) bool { return !clean(r) }) < 0 {
		return text
	}
	return strings.Map(func(r rune) rune {
		switch {
		case clean(r):
			return r
		case unicode.IsSpace(r):
			return ' '
		}
		return Lacking
	}, text)
}

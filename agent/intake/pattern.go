package intake

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// The formats that are no patterns.
const (
	formatRFC3339 = "rfc3339"
	formatUnix    = "unix"
	formatUnixMS  = "unix-ms"
)

const patternForm = `write a pattern like "YYYY-MM-DD hh:mm:ss" (also YY, MMM for Jan, single letters for one or two digits, AM, Z for an offset like +01:00), or "rfc3339", "unix" or "unix-ms"`

// token is one piece of a pattern.
type token struct {
	letter byte // one of YMDhmsAZ; 0: literal
	count  int
	text   string // of a literal
}

// pattern reads stamps. It is immutable.
type pattern struct {
	format string
	tokens []token
	zoned  bool // Z is in it
}

// absolute reports whether stamps need no time zone.
func (p *pattern) absolute() bool { return p.zoned || len(p.tokens) == 0 }

// widths are the counts that each letter may have.
var widths = map[byte]string{'Y': "24", 'M': "123", 'D': "12", 'h': "12", 'm': "12", 's': "12", 'A': "1", 'Z': "1"}

// newPattern compiles a format. Decimals of a second are read behind s without
// a letter of their own.
func newPattern(format string) (*pattern, error) {
	p := &pattern{format: format}
	switch format {
	case formatUnix, formatUnixMS:
		return p, nil
	case formatRFC3339:
		format = "YYYY-MM-DDThh:mm:ssZ"
	}
	seen := map[byte]bool{}
	for i := 0; i < len(format); {
		c := format[i]
		if strings.HasPrefix(format[i:], "AM") && !seen['A'] {
			p.tokens = append(p.tokens, token{letter: 'A', count: 1})
			seen['A'] = true
			i += 2
			continue
		}
		allowed, isLetter := widths[c]
		if !isLetter || c == 'A' { // AM alone
			if c != 'T' && (c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z') {
				return nil, fmt.Errorf("letter %q in %q means nothing", c, format)
			}
			p.literal(c)
			i++
			continue
		}
		n := 1
		for i+n < len(format) && format[i+n] == c {
			n++
		}
		if !strings.ContainsRune(allowed, rune('0'+n)) {
			return nil, fmt.Errorf("%q in %q means nothing", format[i:i+n], format)
		}
		if seen[c] {
			return nil, fmt.Errorf("%q is twice in %q", c, format)
		}
		seen[c] = true
		p.tokens = append(p.tokens, token{letter: c, count: n})
		i += n
	}
	p.zoned = seen['Z']
	return p, p.complete(seen)
}

func (p *pattern) literal(c byte) {
	if n := len(p.tokens); n > 0 && p.tokens[n-1].letter == 0 {
		p.tokens[n-1].text += string(c)
		return
	}
	p.tokens = append(p.tokens, token{text: string(c)})
}

// complete refuses a pattern that does not tell a time, or can be read in two
// ways.
func (p *pattern) complete(seen map[byte]bool) error {
	for _, need := range []byte("YMDhm") {
		if !seen[need] {
			return fmt.Errorf("%q does not say where %q stands", p.format, need)
		}
	}
	for i := 1; i < len(p.tokens); i++ {
		a, b := p.tokens[i-1], p.tokens[i]
		if strings.IndexByte("MDhms", a.letter) >= 0 && a.letter != 0 && a.count == 1 && strings.IndexByte("YMDhms", b.letter) >= 0 && b.letter != 0 {
			return fmt.Errorf("%q in %q may have one digit or two, so that something must stand behind it", a.letter, p.format)
		}
	}
	return nil
}

// stamp is what a text says of a time.
type stamp struct {
	seconds int64 // since 1970, of the clock on the wall, or UTC where exact
	ms      int64
	exact   bool
}

// The years that stamps may be in: what lies outside is a mistake of format.
const firstYear, lastYear = 1980, 2199

var (
	errLikeFormat = errors.New("is not a time of that format")
	months        = [12]string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}
)

// fields of a stamp while it is read.
type civil struct {
	year, month, day, hour, minute, second, ms int
	afternoon, half                            bool // half: AM or PM was there
	offset                                     int
}

// parse reads a stamp. The error is a sentence's end: `"…" is …`.
func (p *pattern) parse(text string) (stamp, error) {
	if len(p.tokens) == 0 {
		return p.parseUnix(text)
	}
	var c civil
	rest := text
	for i := range p.tokens {
		t := &p.tokens[i]
		var ok bool
		if t.letter == 0 {
			if rest, ok = strings.CutPrefix(rest, t.text); !ok {
				return stamp{}, errLikeFormat
			}
			continue
		}
		if rest, ok = c.take(t, rest); !ok {
			return stamp{}, errLikeFormat
		}
	}
	if rest != "" {
		return stamp{}, errLikeFormat
	}
	return c.stamp(p.zoned)
}

// take reads one token.
func (c *civil) take(t *token, text string) (rest string, ok bool) {
	switch {
	case t.letter == 'A':
		return c.takeHalf(text)
	case t.letter == 'Z':
		return c.takeOffset(text)
	case t.letter == 'M' && t.count == 3:
		if len(text) < 3 {
			return text, false
		}
		for i, name := range months {
			if strings.EqualFold(text[:3], name) {
				c.month = i + 1
				return text[3:], true
			}
		}
		return text, false
	}
	n, least, most := 0, t.count, t.count
	if t.count == 1 {
		most = 2
	}
	digits := 0
	for digits < most && digits < len(text) && text[digits] >= '0' && text[digits] <= '9' {
		n = 10*n + int(text[digits]-'0')
		digits++
	}
	if digits < least {
		return text, false
	}
	text = text[digits:]
	switch t.letter {
	case 'Y':
		if c.year = n; t.count == 2 {
			c.year += 2000
		}
	case 'M':
		c.month = n
	case 'D':
		c.day = n
	case 'h':
		c.hour = n
	case 'm':
		c.minute = n
	case 's':
		c.second = n
		return c.takeFraction(text)
	}
	return text, true
}

// takeFraction reads decimals of a second, where there are some. What is finer
// than a millisecond is cut off.
func (c *civil) takeFraction(text string) (rest string, ok bool) {
	if len(text) < 2 || text[0] != '.' && text[0] != ',' || text[1] < '0' || text[1] > '9' {
		return text, true
	}
	i, unit := 1, 100
	for ; i < len(text) && text[i] >= '0' && text[i] <= '9'; i++ {
		c.ms += unit * int(text[i]-'0')
		unit /= 10
	}
	return text[i:], i <= 10
}

func (c *civil) takeHalf(text string) (rest string, ok bool) {
	for _, word := range []string{"a.m.", "p.m.", "am", "pm"} {
		if len(text) >= len(word) && strings.EqualFold(text[:len(word)], word) {
			c.half, c.afternoon = true, word[0] == 'p'
			return text[len(word):], true
		}
	}
	return text, false
}

// takeOffset reads Z, +hh, +hhmm or +hh:mm.
func (c *civil) takeOffset(text string) (rest string, ok bool) {
	if text != "" && (text[0] == 'Z' || text[0] == 'z') {
		return text[1:], true
	}
	n := 1
	for n < len(text) && (text[n] >= '0' && text[n] <= '9' || text[n] == ':' && n == 3) {
		n++
	}
	full := text[:min(n, len(text))]
	switch len(full) {
	case 3:
		full += ":00"
	case 5:
		full = full[:3] + ":" + full[3:]
	}
	c.offset, ok = parseOffset(full)
	return text[min(n, len(text)):], ok
}

func (c *civil) stamp(zoned bool) (stamp, error) {
	if c.half {
		if c.hour < 1 || c.hour > 12 {
			return stamp{}, fmt.Errorf("has the hour %d, but AM or PM goes with 1 to 12", c.hour)
		}
		if c.hour %= 12; c.afternoon {
			c.hour += 12
		}
	}
	if c.hour > 23 || c.minute > 59 || c.second > 59 {
		return stamp{}, errors.New("is no time of day")
	}
	day := time.Date(c.year, time.Month(c.month), c.day, 0, 0, 0, 0, time.UTC)
	if c.month < 1 || c.month > 12 || c.day < 1 || day.Day() != c.day {
		return stamp{}, errors.New("is a date that does not exist")
	}
	if c.year < firstYear || c.year > lastYear {
		return stamp{}, fmt.Errorf("is in the year %d, where no logger was", c.year)
	}
	s := day.Unix() + int64(c.hour*3600+c.minute*60+c.second-c.offset)
	return stamp{seconds: s, ms: int64(c.ms), exact: zoned}, nil
}

// parseUnix reads seconds, with decimals, or milliseconds since 1970.
func (p *pattern) parseUnix(text string) (stamp, error) {
	whole, fraction := text, ""
	if i := strings.IndexAny(text, ".,"); i >= 0 && p.format == formatUnix {
		whole, fraction = text[:i], text[i+1:]
	}
	if whole == "" || len(whole) > 15 || len(fraction) > 9 || strings.Trim(whole+fraction, "0123456789") != "" {
		return stamp{}, errLikeFormat
	}
	var n, ms int64
	for _, c := range whole {
		n = 10*n + int64(c-'0')
	}
	for i, unit := 0, int64(100); i < len(fraction); i++ {
		ms += unit * int64(fraction[i]-'0')
		unit /= 10
	}
	other := formatUnixMS
	if p.format == formatUnixMS {
		n, ms, other = n/1000, n%1000, formatUnix
	}
	if year := time.Unix(n, 0).UTC().Year(); year < firstYear || year > lastYear {
		return stamp{}, fmt.Errorf("would be in the year %d; is the format %q?", year, other)
	}
	return stamp{seconds: n, ms: ms, exact: true}, nil
}

package sitefile

import (
	"fmt"
	"regexp"
	"regexp/syntax"
	"slices"
	"strconv"
	"strings"
	"time"
)

const (
	checksumMark = "{checksum}"
	// A question and a mark are short; a pattern of this length and this many
	// steps a character is matched in no time.
	maxSend, maxMark       = 256, 16
	maxPattern, maxProgram = 400, 4000
	longestQuiet           = 5 * time.Second
	patternMend            = `write an RE2 pattern in '…' with a named group for each value, like pattern = 'P=(?P<pressure>[0-9.]+)'`
	escapeMend             = `write \r, \n, \t, \\ or \x and two hexadecimal digits, best in '…'`
)

// readTextMap reads what a text map says beside name and protocol.
func readTextMap(root *section, m *RegisterMap) {
	t := &TextMap{Listen: root.choice("mode", "ask", "ask", "listen") == "listen"}
	m.Text = t
	t.Format = root.textFormat(TextFormat{})
	sources := map[string]*regexp.Regexp{} // nil: the pattern is no good
	seen := names{}
	asks, prints := root.subs("ask"), root.subs("print")
	if t.Listen || !slices.ContainsFunc(asks, (*section).hasFormat) {
		root.checkFormat(t.Format)
	}
	key, other, refused := "ask", "print", prints
	if t.Listen {
		key, other, refused = "print", "ask", asks
		if e := root.table.find("send_checksum"); e != nil {
			root.problem(e.at, "send_checksum", "remove it", "nothing is sent with mode = \"listen\"")
			root.asked = append(root.asked, "send_checksum")
		}
		for _, s := range prints {
			p := TextPrint{Name: s.ident("name", `name the print, like name = "pressures"`)}
			re := s.pattern(&p.Pattern)
			s.done()
			if p.Name != "" && seen.add(s, "name", p.Name) {
				t.Prints = append(t.Prints, p)
				sources[p.Name] = re
			}
		}
	} else {
		sendChecksum := root.checksum("send_checksum", false)
		for _, s := range asks {
			a, re := s.readAsk(t.Format, sendChecksum)
			if a.Name != "" && seen.add(s, "name", a.Name) {
				t.Asks = append(t.Asks, a)
				sources[a.Name] = re
			}
		}
	}
	for _, s := range refused {
		root.problem(s.table.at, other, fmt.Sprintf("write [[%s]], or change the mode", key), "[[%s]] does not go with this map's mode", other)
	}
	if len(seen) == 0 && len(asks)+len(prints) == len(refused) {
		root.problem(position{}, key, fmt.Sprintf("add [[%s]] with a name and a pattern", key), "the map has no %s", key)
	}
	channels := root.subs("channel")
	root.done()
	if len(channels) == 0 {
		root.problem(position{}, "channel", fmt.Sprintf("add [[channel]] with name, %s and group", key), "the map has no channel")
	}
	used := map[string]bool{}
	m.readChannels(channels, func(s *section) MapChannel {
		c := readTextChannel(s, key, seen, sources)
		used[c.Text.Source] = true
		return c
	})
	for _, name := range seen.known() {
		if !used[name] {
			root.warn(seen[name], key+".name", "", "no channel takes a value from %s %q, so it is left out", key, name)
		}
	}
}

func (s *section) readAsk(format TextFormat, send TextChecksum) (TextAsk, *regexp.Regexp) {
	a := TextAsk{Name: s.ident("name", `name the question, like name = "pressures"`)}
	a.Format = s.textFormat(format)
	if s.hasFormat() {
		s.checkFormat(a.Format)
	}
	a.SendChecksum = send
	if s.table.find("send_checksum") != nil {
		a.SendChecksum = s.checksum("send_checksum", false)
	}
	s.asked = append(s.asked, "send_checksum")
	s.readSend(&a)
	re := s.pattern(&a.Pattern)
	s.done()
	return a, re
}

// readSend reads the question. A checksum stands where it says {checksum}.
func (s *section) readSend(a *TextAsk) {
	e := s.need("send", `write what is sent, like send = 'P\r'`)
	text := s.text("send", "")
	if e == nil || e.value.kind != kindText {
		return
	}
	before, behind, marked := strings.Cut(text, checksumMark)
	var ok1, ok2 bool
	a.Send, ok1 = s.unescape("send", before)
	a.SendTail, ok2 = s.unescape("send", behind)
	if !ok1 || !ok2 {
		return
	}
	at := e.value.at
	switch n := len(a.Send) + len(a.SendTail); {
	case n == 0 && !marked:
		s.problem(at, "send", `write what is sent, like send = 'P\r', or mode = "listen" at the top of the map`, "nothing is sent")
	case n > maxSend:
		s.problem(at, "send", "shorten it", "%d bytes are no question; %d are the most", n, maxSend)
	case marked && a.SendChecksum.Kind == "":
		s.problem(at, "send", `add send_checksum = { kind = "xor-8" } or the like`, "there is %s, but no send_checksum", checksumMark)
	case !marked && a.SendChecksum.Kind != "":
		s.problem(at, "send", fmt.Sprintf(`write %s where it stands, like send = 'P%s\r', or send_checksum = { kind = "none" }`, checksumMark, checksumMark),
			"there is a send_checksum, but no %s", checksumMark)
	case strings.Contains(behind, checksumMark):
		s.problem(at, "send", "keep one of them", "%s stands there twice", checksumMark)
	}
	if !marked {
		a.SendChecksum = TextChecksum{}
		return
	}
	for _, mark := range []struct {
		key  string
		text []byte
	}{{"after", a.SendChecksum.After}, {"before", a.SendChecksum.Before}} {
		if !strings.Contains(string(a.Send), string(mark.text)) {
			s.problem(at, "send", "correct one of the two", "there is no %q in front of %s, which send_checksum.%s names", mark.text, checksumMark, mark.key)
		}
	}
}

// textFormat reads begins, ends, quiet and checksum; what is left out is as in
// fallback.
func (s *section) textFormat(fallback TextFormat) TextFormat {
	f := fallback
	if s.table.find("begins") != nil {
		f.Begins = s.mark("begins")
	}
	s.asked = append(s.asked, "begins")
	ends, quiet := s.table.find("ends"), s.table.find("quiet")
	if ends != nil && quiet != nil {
		s.problem(quiet.at, "quiet", "keep one of the two", "both ends and quiet say where a text ends")
	}
	if ends != nil {
		f.Ends, f.Quiet = s.mark("ends"), 0
	}
	if quiet != nil {
		f.Ends = nil
		f.Quiet = s.duration("quiet", 0, 2*time.Millisecond, `write a silence of 2 ms to 5 s, like quiet = "50ms"`)
		if f.Quiet > longestQuiet {
			s.problem(quiet.value.at, "quiet", `write a silence of 2 ms to 5 s, like quiet = "50ms"`, "%v is too long", f.Quiet)
		}
	}
	s.asked = append(s.asked, "ends", "quiet")
	if s.table.find("checksum") != nil {
		f.Checksum = s.checksum("checksum", true)
	}
	s.asked = append(s.asked, "checksum")
	return f
}

// formatKeys are the keys of textFormat.
var formatKeys = []string{"begins", "ends", "quiet", "checksum"}

// hasFormat reports whether the table says anything of its own about a format.
func (s *section) hasFormat() bool {
	return slices.ContainsFunc(formatKeys, func(key string) bool { return s.table.find(key) != nil })
}

// checkFormat sees that the end of a text with a checksum can be found.
func (s *section) checkFormat(f TextFormat) {
	at := s.table.at
	if e := s.table.find("checksum"); e != nil {
		at = e.at
	}
	switch sum := &f.Checksum; {
	case sum.BehindEnd && len(f.Ends) == 0:
		s.problem(at, "checksum", `add ends, like ends = '\x03'`, "a checksum that stands behind the end needs an end that is known")
	case sum.Kind != "" && sum.Raw && len(f.Ends) == 0 && f.Quiet == 0:
		s.problem(at, "checksum", `add ends, like ends = '\r\n', or quiet`,
			"a checksum in bytes may look like a line ending: the text's end must be known exactly")
	}
}

// checksum reads a checksum's table; answer: of what comes.
func (s *section) checksum(key string, answer bool) TextChecksum {
	t := s.sub(key)
	if t == nil {
		return TextChecksum{}
	}
	var c TextChecksum
	kinds := []string{"none", "sum-8", "xor-8", "crc-16/modbus"}
	if t.need("kind", "write one of "+quotedList(kinds)) != nil {
		c.Kind = t.choice("kind", "", kinds...)
	}
	c.Raw = t.choice("as", "digits", "digits", "bytes") == "bytes"
	order := t.choice("order", "", "high first", "low first")
	c.LowFirst = order == "low first"
	if e := t.table.find("order"); c.Kind == "crc-16/modbus" && e == nil {
		t.problem(t.table.at, "order", `write "high first" (123456789 gives 4B37) or "low first" (374B)`, "which byte of the checksum comes first is missing")
	} else if c.Kind != "crc-16/modbus" && e != nil && c.Kind != "" {
		t.problem(e.at, "order", "remove it", "%q has one byte and no order", c.Kind)
	}
	for _, m := range []struct {
		key  string
		into *[]byte
	}{{"after", &c.After}, {"before", &c.Before}} {
		if t.table.find(m.key) != nil {
			*m.into = t.mark(m.key)
		}
		t.asked = append(t.asked, m.key)
	}
	if answer {
		c.BehindEnd = t.choice("stands", "before end", "before end", "behind end") == "behind end"
	}
	t.done()
	if c.Kind == "none" {
		return TextChecksum{}
	}
	return c
}

// mark reads a few bytes that stand somewhere in a text.
func (s *section) mark(key string) []byte {
	text := s.text(key, "")
	e := s.table.find(key)
	if e.value.kind != kindText {
		return nil
	}
	b, ok := s.unescape(key, text)
	if ok && (len(b) == 0 || len(b) > maxMark) {
		s.problem(e.value.at, key, fmt.Sprintf("write 1 to %d bytes, or leave the key out", maxMark), "%d bytes are no mark", len(b))
		return nil
	}
	return b
}

// unescape turns \r, \n, \t, \\ and \xHH into bytes, and characters up to
// U+00FF into one byte each.
func (s *section) unescape(key, text string) ([]byte, bool) {
	fail := func(format string, args ...any) ([]byte, bool) {
		s.problem(s.table.find(key).value.at, key, escapeMend, format, args...)
		return nil, false
	}
	var b []byte
	runes := []rune(text)
	for i := 0; i < len(runes); i++ {
		r := runes[i]
		if r > 0xFF {
			return fail("%q is no character of one byte", r)
		}
		if r != '\\' {
			b = append(b, byte(r))
			continue
		}
		if i++; i == len(runes) {
			return fail("a backslash at the end begins nothing")
		}
		plain := map[rune]byte{'r': '\r', 'n': '\n', 't': '\t', '\\': '\\'}
		if c, ok := plain[runes[i]]; ok {
			b = append(b, c)
			continue
		}
		if runes[i] != 'x' || i+2 >= len(runes) {
			return fail("\\%c is not known", runes[i])
		}
		n, err := strconv.ParseUint(string(runes[i+1:i+3]), 16, 8)
		if err != nil {
			return fail("\\x%s is no byte", string(runes[i+1:i+3]))
		}
		b = append(b, byte(n))
		i += 2
	}
	return b, true
}

// pattern reads a pattern and returns it compiled, or nil.
func (s *section) pattern(into *string) *regexp.Regexp {
	e := s.need("pattern", patternMend)
	*into = s.text("pattern", "")
	if e == nil || e.value.kind != kindText {
		return nil
	}
	fail := func(format string, args ...any) *regexp.Regexp {
		s.problem(e.value.at, "pattern", patternMend, format, args...)
		return nil
	}
	if *into == "" {
		return fail("the pattern is empty")
	}
	if len(*into) > maxPattern {
		return fail("the pattern has %d characters; %d are the most", len(*into), maxPattern)
	}
	parsed, err := syntax.Parse(*into, syntax.Perl)
	if err != nil {
		return fail("%s", strings.TrimPrefix(err.Error(), "error parsing regexp: "))
	}
	if program, err := syntax.Compile(parsed.Simplify()); err != nil || len(program.Inst) > maxProgram {
		return fail("the pattern repeats too much")
	}
	re, err := regexp.Compile(*into)
	if err != nil {
		return fail("%v", err)
	}
	if !slices.ContainsFunc(re.SubexpNames(), func(name string) bool { return name != "" }) {
		return fail("the pattern has no named group")
	}
	return re
}

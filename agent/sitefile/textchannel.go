package sitefile

import (
	"regexp"
	"slices"

	"loadscribe/agent/quantity"
)

// readTextChannel reads a channel of a text map. key is "ask" or "print",
// known are their names, and sources their patterns.
func readTextChannel(s *section, key string, known names, sources map[string]*regexp.Regexp) MapChannel {
	c := MapChannel{Name: s.ident("name", `name the channel, like name = "discharge_pressure"`), Bit: -1, Text: &TextField{}}
	t := c.Text
	if e := s.need(key, "name the [["+key+"]] that holds it"); e != nil {
		t.Source = s.text(key, "")
		if _, ok := sources[t.Source]; !ok && e.value.kind == kindText {
			s.problem(e.value.at, key, known.mend(t.Source), "there is no %s %q", key, t.Source)
		}
	}
	s.readGroup(c.Name, t, sources[t.Source])
	s.readAs(&c)
	s.readScaling(&c)
	s.readInverted(&c)
	c.Role = s.role("role", c.Unit)
	for _, v := range s.texts("absent") {
		t.Absent = append(t.Absent, v.text)
	}
	c.Every = s.period("every", 0)
	if c.IsBit() {
		s.refuse("a channel that is 0 or 1 takes none", "scale", "offset", "valid", "unit")
	}
	s.done()
	return c
}

// readGroup reads which group of the pattern is meant, by default the one with
// the channel's name.
func (s *section) readGroup(channel string, t *TextField, re *regexp.Regexp) {
	t.Group = s.text("group", channel)
	if re == nil || t.Group == "" && s.table.find("group") == nil || re.SubexpIndex(t.Group) >= 0 {
		return
	}
	at := s.table.at
	if e := s.table.find("group"); e != nil {
		at = e.value.at
	}
	var groups []string
	for _, name := range re.SubexpNames() {
		if name != "" {
			groups = append(groups, name)
		}
	}
	mend := "its groups are " + quotedList(groups)
	if near := quantity.Nearest(t.Group, groups); near != "" {
		mend = `did you mean group = "` + near + `"?`
	}
	s.problem(at, "group", mend, "the pattern of %q has no group %q", t.Source, t.Group)
}

// readAs reads as and the keys that go with it, and sets Type and Bit.
func (s *section) readAs(c *MapChannel) {
	t := c.Text
	fallback := "decimal"
	if s.table.find("words") != nil {
		fallback = "word"
	}
	t.As = s.choice("as", fallback, "decimal", "fixed", "hexadecimal", "word")
	c.Type = t.As
	const decimalsMend = "write how many digits stand behind the point that is not printed, 0 to 18"
	t.Decimals = int(s.integer("decimals", 0, 0, 18, decimalsMend))
	t.Comma = s.choice("point", ".", ".", ",") == ","
	t.Signed = s.boolean("signed")
	bit := s.integer("bit", -1, 0, 62, "bits are 0 (least) to 62")
	t.Words = s.readWords("words")
	if t.As != "decimal" {
		s.refuse(`it goes with as = "decimal"`, "point")
	}
	if t.As != "fixed" {
		s.refuse(`it goes with as = "fixed"`, "decimals")
	} else if s.table.find("decimals") == nil {
		s.problem(s.table.at, "decimals", decimalsMend, "\"decimals\" is missing")
	}
	if t.As != "hexadecimal" {
		s.refuse(`it goes with as = "hexadecimal"`, "signed", "bit")
	} else if c.Bit = int(bit); c.Bit >= 0 {
		s.refuse("a single bit has no sign", "signed")
	}
	switch {
	case t.As != "word":
		s.refuse(`it goes with as = "word"`, "words")
	case s.table.find("words") == nil:
		s.problem(s.table.at, "words", `write the number of each word, like words = { RUN = 1, STOP = 0 }`, "\"words\" is missing")
	case onlyBits(t.Words):
		c.Type = "bit"
	}
}

// readWords reads the table from words to numbers.
func (s *section) readWords(key string) map[string]int64 {
	if s.table.find(key) == nil {
		s.asked = append(s.asked, key)
		return nil
	}
	t := s.sub(key)
	if t == nil {
		return nil
	}
	if len(t.table.entries) == 0 {
		s.problem(t.table.at, "words", "write words = { RUN = 1, STOP = 0 }", "there is no word in it")
	}
	words := map[string]int64{}
	for _, e := range t.table.entries {
		words[e.key] = t.integer(e.key, 0, -maxWord, maxWord, "write the number that is kept for this word")
	}
	return words
}

// maxWord is the greatest number of a word: what a float64 holds exactly.
const maxWord = 1 << 53

func onlyBits(words map[string]int64) bool {
	for _, n := range words {
		if n != 0 && n != 1 {
			return false
		}
	}
	return len(words) > 0
}

// boolean reads true or false, false where it is left out.
func (s *section) boolean(key string) bool {
	e := s.entry(key)
	if e == nil {
		return false
	}
	if e.value.kind != kindBool {
		s.wrongKind(e.value, key, kindBool.String(), "write it without quotes")
		return false
	}
	return e.value.text == "true"
}

// refuse reports keys that mean nothing here.
func (s *section) refuse(why string, keys ...string) {
	for _, key := range keys {
		e := s.table.find(key)
		if e == nil || key == "unit" && e.value.text == "1" {
			continue
		}
		if slices.Contains(s.asked, key) {
			s.problem(e.at, key, "remove it", "%q does not fit: %s", key, why)
		}
	}
}

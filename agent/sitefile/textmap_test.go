package sitefile

import (
	"bytes"
	"reflect"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/scan"
)

// textFiles is a good site with a text line that is asked and one that prints.
func textFiles() map[string]string {
	return map[string]string{
		"site.toml": `[[line]]
name = "asked"
kind = "text"
port = "COM3"

[[line]]
name = "printing"
kind = "text"
address = "192.0.2.9:4001"

[[device]]
name = "a"
line = "asked"
map = "maps/ask.toml"

[[device]]
name = "b"
line = "printing"
map = "maps/print.toml"
every = "5s"
`,
		"maps/ask.toml": `name = "asked"
protocol = "text"
checksum = { kind = "sum-8", before = "*" }
send_checksum = { kind = "crc-16/modbus", order = "low first", as = "bytes", after = '\x02' }
ends = '\x03'

[[ask]]
name = "first"
send = '\x02P{checksum}\r'
pattern = 'P=(?P<pressure>[0-9.]+) S=(?P<state>\w+) W=(?P<word>[0-9A-F]+)\*'

[[ask]]
name = "second"
send = "T\r"
send_checksum = { kind = "none" }
checksum = { kind = "xor-8", as = "bytes", stands = "behind end" }
pattern = 'T=(?P<t>\d+)'

[[channel]]
name = "pressure"
role = "discharge_pressure"
ask = "first"
unit = "psi"
valid = [0, 250]
absent = ["---"]
every = "250ms"

[[channel]]
name = "loaded"
role = "loaded"
ask = "first"
group = "state"
words = { LOAD = 1, IDLE = 0, "E 1" = 0 }

[[channel]]
name = "fault"
ask = "first"
group = "state"
words = { LOAD = 0, IDLE = 0, "E 1" = 17 }

[[channel]]
name = "word"
ask = "first"
as = "hexadecimal"
signed = true

[[channel]]
name = "running"
ask = "first"
group = "word"
as = "hexadecimal"
bit = 3
inverted = true

[[channel]]
name = "temperature"
role = "oil_temperature"
ask = "second"
group = "t"
as = "fixed"
decimals = 1
unit = "°F"
`,
		"maps/print.toml": `protocol = "text"
mode = "listen"
quiet = "50ms"
begins = "#"

[[print]]
name = "all"
pattern = 'P=(?P<pressure>[0-9,]+)'

[[channel]]
name = "pressure"
print = "all"
point = ","
unit = "bar"
`,
	}
}

// TestTextMap checks what is read, key by key.
func TestTextMap(t *testing.T) {
	s, err := load("site.toml", Options{}, memory(textFiles()))
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Warnings) != 0 {
		t.Errorf("warnings: %v", s.Warnings)
	}
	if l := s.Lines[0]; l.Serial != (Serial{9600, 8, 'N', 1}) || l.Port != "COM3" || l.Address != "" {
		t.Errorf("serial line: %+v", l)
	}
	if l := s.Lines[1]; l.Serial != (Serial{}) || l.Address != "192.0.2.9:4001" {
		t.Errorf("TCP line: %+v", l)
	}
	m := s.Devices[0].Map
	etx := []byte{3}
	wantAsks := []TextAsk{
		{Name: "first", Send: []byte("\x02P"), SendTail: []byte("\r"),
			SendChecksum: TextChecksum{Kind: "crc-16/modbus", Raw: true, LowFirst: true, After: []byte{2}},
			Format:       TextFormat{Ends: etx, Checksum: TextChecksum{Kind: "sum-8", Before: []byte("*")}},
			Pattern:      `P=(?P<pressure>[0-9.]+) S=(?P<state>\w+) W=(?P<word>[0-9A-F]+)\*`},
		{Name: "second", Send: []byte("T\r"), Format: TextFormat{Ends: etx, Checksum: TextChecksum{Kind: "xor-8", Raw: true, BehindEnd: true}},
			Pattern: `T=(?P<t>\d+)`},
	}
	if m.Text.Listen || len(m.Text.Asks) != 2 {
		t.Fatalf("map: %+v", m.Text)
	}
	for i, want := range wantAsks {
		got := m.Text.Asks[i]
		if len(got.SendTail) == 0 {
			got.SendTail = nil
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("ask %d:\ngot  %+v\nwant %+v", i, got, want)
		}
	}
	type channel struct {
		typ   string
		kind  scan.Kind
		bit   bool
		every time.Duration
	}
	for name, want := range map[string]channel{
		"pressure": {"decimal", scan.KindDecimal, false, 250 * time.Millisecond}, "loaded": {"bit", scan.KindInt, true, time.Second},
		"fault": {"word", scan.KindInt, false, time.Second}, "word": {"hexadecimal", scan.KindInt, false, time.Second},
		"running": {"hexadecimal", scan.KindInt, true, time.Second}, "temperature": {"fixed", scan.KindDecimal, false, time.Second},
	} {
		_, c, ok := s.Channel("a." + name)
		if !ok {
			t.Fatalf("no channel %q", name)
		}
		if got := (channel{c.Type, c.Kind(), c.IsBit(), c.Every}); got != want {
			t.Errorf("%s: got %+v, want %+v", name, got, want)
		}
	}
	_, running, _ := s.Channel("a.running")
	if running.Bit != 3 || running.Scale != -1 || running.Offset != 1 {
		t.Errorf("running: %+v", running)
	}
	_, fault, _ := s.Channel("a.fault")
	if want := (&TextField{Source: "first", Group: "state", As: "word", Words: map[string]int64{"LOAD": 0, "IDLE": 0, "E 1": 17}}); !reflect.DeepEqual(fault.Text, want) {
		t.Errorf("fault: got %+v, want %+v", fault.Text, want)
	}
	p := s.Devices[1].Map.Text
	if !p.Listen || !reflect.DeepEqual(p.Format, TextFormat{Begins: []byte("#"), Quiet: 50 * time.Millisecond}) || len(p.Prints) != 1 {
		t.Errorf("printing map: %+v", p)
	}
	if _, c, _ := s.Channel("b.pressure"); !c.Text.Comma || c.Every != 5*time.Second {
		t.Errorf("printed pressure: %+v", c)
	}
	if groups := Groups(s); len(groups) != 3 || groups[0].Name != "250ms" || len(groups[1].Channels) != 5 {
		t.Errorf("%d groups", len(groups))
	}
}

func TestEscapes(t *testing.T) {
	tests := []struct {
		text string
		want []byte // nil: a problem
	}{
		{`P\r\n\t\\`, []byte("P\r\n\t\\")},
		{`\x02\xfF\x41`, []byte("\x02\xFFA")},
		{"\r\n°", []byte("\r\n\xB0")},
		{`{}`, []byte("{}")},
		{`\`, nil}, {`\q`, nil}, {`\x4`, nil}, {`\xg0`, nil}, {`\x+1`, nil}, {"€", nil}, {`a\x`, nil},
	}
	for _, tt := range tests {
		found := &findings{}
		s := &section{found: found, table: &table{entries: []entry{{key: "send", value: &value{}}}}}
		got, ok := s.unescape("send", tt.text)
		if ok != (tt.want != nil) || !bytes.Equal(got, tt.want) || (len(found.problems) == 0) != ok {
			t.Errorf("%q: got %q, %t, %v", tt.text, got, ok, found.problems)
		}
	}
}

const (
	inAsk   = "maps/ask.toml"
	inPrint = "maps/print.toml"
)

var textProblemTests = []struct {
	name, file string
	old, new   string
	key        string
	says       []string
}{
	{"port and address", inSite, `port = "COM3"`, "port = \"COM3\"\naddress = \"h:1\"", "line.port", []string{"remove the address"}},
	{"no port", inSite, `port = "COM3"`, "", "line.port", []string{"serial device server"}},
	{"address without port number", inSite, "192.0.2.9:4001", "192.0.2.9", "line.address", []string{"host and port"}},
	{"unit id", inSite, `map = "maps/ask.toml"`, "map = \"maps/ask.toml\"\nunit = 1", "device.unit", []string{"no unit id"}},
	{"Modbus line", inSite, "kind = \"text\"\nport", "kind = \"modbus-rtu\"\nport", "device.map", []string{`line "asked" is "modbus-rtu"`, `protocol is "text"`}},
	{"two on a listening line", inSite, "every = \"5s\"\n", "[[device]]\nname = \"c\"\nline = \"printing\"\nmap = \"maps/ask.toml\"\n", "device.map", []string{"a line of its own"}},
	{"unknown mode", inAsk, `protocol = "text"`, "protocol = \"text\"\nmode = \"asks\"", "mode", []string{`did you mean "ask"?`}},
	{"unknown key", inAsk, "[[ask]]\nname = \"first\"", "[[ask]]\npattern_ = 1\nname = \"first\"", "ask.pattern_", []string{`did you mean "pattern"?`}},
	{"ask in a listening map", inPrint, "[[channel]]", "[[ask]]\nname = \"x\"\n[[channel]]", "ask", []string{"[[print]]"}},
	{"print in an asking map", inAsk, "[[channel]]\nname = \"pressure\"", "[[print]]\n[[channel]]\nname = \"pressure\"", "print", []string{"[[ask]]"}},
	{"send_checksum in a listening map", inPrint, "begins = \"#\"", "send_checksum = { kind = \"sum-8\" }\nbegins = \"#\"", "send_checksum", []string{"nothing is sent"}},
	{"nothing sent", inAsk, `send = "T\r"`, `send = ""`, "ask.send", []string{"nothing is sent", `mode = "listen"`}},
	{"no send", inAsk, `send = "T\r"`, ``, "ask.send", []string{"missing"}},
	{"send too long", inAsk, `"T\r"`, `"` + strings.Repeat("T", 300) + `"`, "ask.send", []string{"300 bytes"}},
	{"bad escape", inAsk, `'\x02P{checksum}\r'`, `'\x2'`, "ask.send", []string{`\xHH`[:2], "hexadecimal"}},
	{"no place for the checksum", inAsk, `P{checksum}\r`, `P\r`, "ask.send", []string{"no {checksum}"}},
	{"checksum twice", inAsk, `P{checksum}\r`, `P{checksum}{checksum}\r`, "ask.send", []string{"twice"}},
	{"a place without a checksum", inAsk, `"T\r"`, `"T{checksum}\r"`, "ask.send", []string{"no send_checksum"}},
	{"span not in send", inAsk, `'\x02P{checksum}\r'`, `'P{checksum}\r'`, "ask.send", []string{"send_checksum.after"}},
	{"checksum kind", inAsk, `"sum-8"`, `"sum8"`, "checksum.kind", []string{`did you mean "sum-8"?`}},
	{"no checksum kind", inAsk, `kind = "sum-8", `, ``, "checksum.kind", []string{"missing"}},
	{"CRC without order", inAsk, `order = "low first", `, ``, "send_checksum.order", []string{"4B37"}},
	{"order of one byte", inAsk, `"sum-8",`, `"sum-8", order = "high first",`, "checksum.order", []string{"one byte"}},
	{"stands in send", inAsk, `as = "bytes", after`, `as = "bytes", stands = "before end", after`, "send_checksum.stands", []string{"unknown key"}},
	{"behind an end that is not known", inAsk, "ends = '\\x03'\n", "", "ask.checksum", []string{"an end that is known"}},
	{"bytes before any line ending", inPrint, "quiet = \"50ms\"", "checksum = { kind = \"sum-8\", as = \"bytes\" }", "checksum", []string{"may look like a line ending"}},
	{"ends and quiet", inPrint, "quiet = \"50ms\"", "quiet = \"50ms\"\nends = \"x\"", "quiet", []string{"keep one"}},
	{"quiet too short", inPrint, `"50ms"`, `"1ms"`, "quiet", []string{"below 2ms"}},
	{"quiet too long", inPrint, `"50ms"`, `"6s"`, "quiet", []string{"too long"}},
	{"empty mark", inPrint, `"#"`, `""`, "begins", []string{"1 to 16 bytes"}},
	{"no pattern", inAsk, `pattern = 'T=(?P<t>\d+)'`, ``, "ask.pattern", []string{"missing"}},
	{"bad pattern", inAsk, `(?P<t>\d+)`, `(?P<t>\d+`, "ask.pattern", []string{"missing closing )"}},
	{"look-ahead", inAsk, `(?P<t>\d+)`, `(?=x)(?P<t>\d+)`, "ask.pattern", []string{"RE2"}},
	{"pattern too large", inAsk, `(?P<t>\d+)`, `(?P<t>((a|bc|de|fg|hi){10}){100})`, "ask.pattern", []string{"repeats too much"}},
	{"pattern too long", inAsk, `(?P<t>\d+)`, `(?P<t>` + strings.Repeat("x", 500) + `)`, "ask.pattern", []string{"characters"}},
	{"no group", inAsk, `(?P<t>\d+)`, `(\d+)`, "ask.pattern", []string{"no named group"}},
	{"unknown ask", inAsk, `ask = "second"`, `ask = "secnd"`, "channel.ask", []string{`did you mean "second"?`}},
	{"no ask", inAsk, "ask = \"second\"\n", "", "channel.ask", []string{"[[ask]]"}},
	{"unknown group", inAsk, `group = "word"`, `group = "words"`, "channel.group", []string{`did you mean group = "word"?`}},
	{"no group of the channel's name", inAsk, "group = \"t\"\n", "", "channel.group", []string{`has no group "temperature"`, `"t"`}},
	{"two asks of a name", inAsk, `name = "second"`, `name = "first"`, "ask.name", []string{"used twice"}},
	{"unknown as", inAsk, `as = "fixed"`, `as = "float"`, "channel.as", []string{`"fixed"`}},
	{"fixed without decimals", inAsk, "decimals = 1\n", "", "channel.decimals", []string{"missing"}},
	{"too many decimals", inAsk, "decimals = 1", "decimals = 19", "channel.decimals", []string{"0 to 18"}},
	{"decimals of a decimal", inAsk, `absent = ["---"]`, "decimals = 2", "channel.decimals", []string{`as = "fixed"`}},
	{"point of a fixed", inAsk, "decimals = 1", "decimals = 1\npoint = \",\"", "channel.point", []string{`as = "decimal"`}},
	{"sign of a bit", inAsk, "bit = 3", "bit = 3\nsigned = true", "channel.signed", []string{"no sign"}},
	{"words that are no numbers", inAsk, "LOAD = 1", `LOAD = "1"`, "channel.words.LOAD", []string{"whole number"}},
	{"no words", inAsk, `words = { LOAD = 1, IDLE = 0, "E 1" = 0 }`, `as = "word"`, "channel.words", []string{"RUN = 1"}},
	{"empty words", inAsk, `{ LOAD = 1, IDLE = 0, "E 1" = 0 }`, `{}`, "channel.words", []string{"no word"}},
	{"scale of a bit", inAsk, `group = "state"`, "group = \"state\"\nscale = 2", "channel.scale", []string{"0 or 1"}},
	{"role in another unit", inAsk, `unit = "°F"`, `unit = "psi"`, "channel.role", []string{"temperature"}},
	{"absent codes", inAsk, `["---"]`, `[65535]`, "channel.absent", []string{"a text in quotes"}},
	{"register keys", inAsk, "decimals = 1", "decimals = 1\naddress = 4", "channel.address", []string{"unknown key"}},
}

func TestTextProblems(t *testing.T) {
	for _, tt := range textProblemTests {
		t.Run(tt.name, func(t *testing.T) {
			files := textFiles()
			if !strings.Contains(files[tt.file], tt.old) {
				t.Fatalf("%q is not in the good file", tt.old)
			}
			files[tt.file] = strings.Replace(files[tt.file], tt.old, tt.new, 1)
			problems := problemsIn(t, files)
			for _, p := range problems {
				if p.File != tt.file || p.Key != tt.key {
					continue
				}
				for _, s := range tt.says {
					if !strings.Contains(p.Error(), s) {
						t.Errorf("%v: does not say %q", p.Error(), s)
					}
				}
				if len(problems) > 3 {
					t.Errorf("one mistake, %d problems:\n%v", len(problems), problems)
				}
				return
			}
			t.Errorf("no problem of %s %s among\n%v", tt.file, tt.key, problems)
		})
	}
}

// TestUnusedAsk: a question from which no channel takes anything is told.
func TestUnusedAsk(t *testing.T) {
	files := textFiles()
	files[inPrint] += "\n[[print]]\nname = \"spare\"\npattern = '(?P<x>.)'\n"
	s, err := load("site.toml", Options{}, memory(files))
	if err != nil || len(s.Warnings) != 1 || s.Warnings[0].Key != "print.name" {
		t.Fatalf("%v, %v", err, s)
	}
}

// FuzzTextMap: any text map gives problems with a place, or a map whose
// channels all have a source, a group and a kind.
func FuzzTextMap(f *testing.F) {
	good := textFiles()
	f.Add(good[inAsk])
	f.Add(good[inPrint])
	for _, tt := range textProblemTests {
		if tt.file != inSite {
			f.Add(strings.Replace(good[tt.file], tt.old, tt.new, 1))
		}
	}
	f.Fuzz(func(t *testing.T, text string) {
		files := map[string]string{
			inSite: "[[line]]\nname='n'\nkind='text'\naddress='h:1'\n[[device]]\nname='d'\nline='n'\nmap='maps/c.toml'\n",
			inMap:  "protocol = \"text\"\n" + strings.Replace(text, "protocol", "#", 1),
		}
		s, err := load(inSite, Options{}, memory(files))
		if err != nil {
			checkProblems(t, err, files)
			return
		}
		m := s.Devices[0].Map
		sources := map[string]bool{}
		for _, a := range m.Text.Asks {
			sources[a.Name] = true
			if len(a.Send)+len(a.SendTail) == 0 && a.SendChecksum.Kind == "" {
				t.Fatalf("ask %+v sends nothing", a)
			}
		}
		for _, p := range m.Text.Prints {
			sources[p.Name] = true
		}
		for _, c := range m.Channels {
			if c.Text == nil || !sources[c.Text.Source] || c.Text.Group == "" || c.Scale == 0 || c.Text.As == "word" && len(c.Text.Words) == 0 {
				t.Fatalf("channel %+v %+v", c, c.Text)
			}
		}
	})
}

package sitefile

import (
	"fmt"
	"net"
	"path"
	"strconv"
	"strings"
	"time"
)

const (
	serialForm  = `write baud rate, data bits, parity and stop bits like "19200 8E1" or "9600 8N2"`
	modbusPort  = "502" // registered for Modbus TCP
	defaultBaud = 19200
	textBaud    = 9600
	longestWait = time.Minute // timeout and turnaround: one silent device must not stop a line
)

// isSerial reports whether the line is always a port of this computer. A text
// line may be one.
func (k LineKind) isSerial() bool { return k == ModbusRTU || k == ModbusASCII }

// hasBus reports whether unit ids are those of a serial bus.
func (k LineKind) hasBus() bool { return k != ModbusTCP }

func (l *loader) readLines(root *section) {
	sections := root.subs("line")
	if len(sections) == 0 {
		root.problem(position{}, "line", "add [[line]] with a name, a kind and a port or an address", "the site has no line")
	}
	ends := map[string]string{} // port or address → line name
	for _, s := range sections {
		line, ok := l.readLine(s)
		if !ok {
			continue
		}
		key, end := "port", portKey(line.Port)
		if line.Address != "" {
			key, end = "address", strings.ToLower(line.Address)
		}
		if other, taken := ends[end]; taken && end != "" {
			s.problem(s.table.find(key).value.at, key,
				"one line carries all devices behind it: give them different unit numbers and the same line",
				"line %q uses it already", other)
		}
		ends[end] = line.Name
		l.site.Lines = append(l.site.Lines, line)
	}
}

// portKey makes spellings of one port equal: COM names are the same in any
// case and with the device prefix of Windows.
func portKey(port string) string {
	p := strings.TrimPrefix(port, `\\.\`)
	if strings.HasPrefix(strings.ToUpper(p), "COM") {
		return strings.ToUpper(p)
	}
	if p == "" {
		return ""
	}
	return path.Clean(p)
}

func (l *loader) readLine(s *section) (Line, bool) {
	line := Line{Name: s.label("name", `name the line, like name = "bus"`)}
	kinds := []string{string(ModbusRTU), string(ModbusASCII), string(ModbusTCP), string(ModbusRTUOverTCP), string(Text), string(FromFile)}
	if s.need("kind", "write one of "+quotedList(kinds)) != nil {
		line.Kind = LineKind(s.choice("kind", "", kinds...))
	}
	if line.Kind == FromFile {
		s.refuseOnFileLine()
		return line, l.keepLine(s, &line)
	}
	l.readEnd(s, &line)
	line.Timeout = s.duration("timeout", time.Second, time.Millisecond, `write it like "1s"; common are 0.3 s to 3 s`)
	line.Turnaround = s.duration("turnaround", 0, 0, `write it like "5ms"`)
	for _, d := range []struct {
		key string
		got time.Duration
	}{{"timeout", line.Timeout}, {"turnaround", line.Turnaround}} {
		if d.got > longestWait {
			s.problem(s.table.find(d.key).value.at, d.key, "", "%v is longer than %v", d.got, longestWait)
		}
	}
	l.readListening(s, &line)
	return line, l.keepLine(s, &line)
}

// keepLine ends the reading of a line and makes it known, unless its name is no
// good.
func (l *loader) keepLine(s *section, line *Line) bool {
	s.done()
	if line.Name == "" || !l.lineNames.add(s, "name", line.Name) {
		return false
	}
	l.lineKinds[line.Name] = line.Kind
	return true
}

// readEnd reads the keys that say where the line is: those of a serial port or
// those of a TCP endpoint, and refuses the others.
func (l *loader) readEnd(s *section, line *Line) {
	line.Port = s.text("port", "")
	serialText := s.text("serial", "")
	address := s.text("address", "")
	line.Echo = Echo(s.choice("echo", string(EchoAuto), string(EchoOff), string(EchoOn), string(EchoAuto)))
	refuse := func(why string, keys ...string) {
		for _, key := range keys {
			if e := s.table.find(key); e != nil {
				mend := "remove it, or change the kind"
				if line.Kind == Text {
					mend = "remove it, or remove the address"
				}
				s.problem(e.at, key, mend, "%q is for %s, and this line is %q", key, why, line.describe())
			}
		}
	}
	bySerial := line.Kind.isSerial() || line.Kind == Text && s.table.find("address") == nil
	switch {
	case line.Kind == "":
	case bySerial:
		refuse("TCP lines", "address")
		if line.Port == "" {
			mend := `name the serial port, like port = "COM3" or port = "/dev/ttyUSB0"`
			if line.Kind == Text {
				mend += `, or a serial device server, like address = "192.0.2.7:4001"`
			}
			s.problem(s.table.at, "port", mend, "\"port\" is missing")
		}
		line.Serial = l.readSerial(s, serialText, line.Kind)
	default:
		refuse("serial lines", "port", "serial")
		if line.Kind == ModbusTCP {
			refuse("serial lines", "echo")
		}
		line.Port = ""
		line.Address = l.readAddress(s, address, line.Kind)
	}
}

// describe is the line's kind in the words of a problem.
func (l *Line) describe() string {
	if l.Kind == Text {
		return "text with an address"
	}
	return string(l.Kind)
}

func (l *loader) readSerial(s *section, text string, kind LineKind) Serial {
	set := Serial{Baud: defaultBaud, DataBits: 8, Parity: 'E', StopBits: 1} // the default of the Modbus serial line guide
	switch kind {
	case ModbusASCII:
		set.DataBits = 7
	case Text:
		set = Serial{Baud: textBaud, DataBits: 8, Parity: 'N', StopBits: 1} // common practice, no source
	}
	if text == "" {
		return set
	}
	parsed, err := parseSerial(text)
	if err != nil {
		s.problem(s.table.find("serial").value.at, "serial", serialForm, "%v", err)
		return set
	}
	if kind == ModbusRTU && parsed.DataBits != 8 {
		s.problem(s.table.find("serial").value.at, "serial", "write 8 data bits, or kind = \"modbus-ascii\"",
			"Modbus RTU needs 8 data bits, %q has %d", text, parsed.DataBits)
	}
	return parsed
}

// parseSerial reads "19200 8E1".
func parseSerial(text string) (Serial, error) {
	fields := strings.Fields(text)
	if len(fields) != 2 || len(fields[1]) != 3 {
		return Serial{}, fmt.Errorf("%q is not a serial setting", text)
	}
	baud, err := strconv.Atoi(fields[0])
	if err != nil || baud < 50 || baud > 12_000_000 {
		return Serial{}, fmt.Errorf("%q is not a baud rate", fields[0])
	}
	frame := strings.ToUpper(fields[1])
	set := Serial{Baud: baud, DataBits: int(frame[0] - '0'), Parity: frame[1], StopBits: int(frame[2] - '0')}
	switch {
	case frame[0] != '7' && frame[0] != '8':
		return Serial{}, fmt.Errorf("%q: data bits are 7 or 8", fields[1])
	case set.Parity != 'N' && set.Parity != 'E' && set.Parity != 'O':
		return Serial{}, fmt.Errorf("%q: parity is N (none), E (even) or O (odd)", fields[1])
	case frame[2] != '1' && frame[2] != '2':
		return Serial{}, fmt.Errorf("%q: stop bits are 1 or 2", fields[1])
	}
	return set, nil
}

func (l *loader) readAddress(s *section, text string, kind LineKind) string {
	const mend = `write host and port, like address = "192.0.2.7:502"`
	if text == "" {
		if e := s.table.find("address"); e == nil || e.value.kind == kindText {
			s.problem(s.table.at, "address", mend, "\"address\" is missing")
		}
		return ""
	}
	at := s.table.find("address").value.at
	host, port, err := net.SplitHostPort(text)
	if err != nil && kind == ModbusTCP {
		host, port, err = net.SplitHostPort(net.JoinHostPort(strings.Trim(text, "[]"), modbusPort))
	}
	if err != nil || host == "" || strings.ContainsAny(host, " /") || strings.Contains(host, ":") && net.ParseIP(host) == nil {
		s.problem(at, "address", mend, "%q is not host and port", text)
		return ""
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n == 0 {
		s.problem(at, "address", mend, "%q is not a TCP port from 1 to 65535", port)
		return ""
	}
	return net.JoinHostPort(host, port)
}

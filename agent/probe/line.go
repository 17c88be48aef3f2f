package probe

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
)

// Line is what is probed: a serial port, or a connection.
type Line struct {
	Name    string // port, or host:port
	Framing modbus.Framing
	Serial  bool // has serial settings
	// Open opens it; the settings are zero where Serial is false.
	Open func(ctx context.Context, name string, s modbus.Serial) (modbus.Link, error)
}

// SerialLine is a serial port.
func SerialLine(port string, framing modbus.Framing) Line {
	return Line{Name: port, Framing: framing, Serial: true, Open: modbus.OpenSerial}
}

// NetLine is a Modbus TCP server (framing TCP) or a gateway that carries RTU.
func NetLine(address string, framing modbus.Framing) Line {
	return Line{Name: address, Framing: framing,
		Open: func(ctx context.Context, address string, _ modbus.Serial) (modbus.Link, error) {
			return modbus.DialTCP(ctx, address)
		}}
}

// Session reads over a line with fixed settings and opens it anew where a
// timeout has closed it (Modbus TCP). It is not for concurrent use.
type Session struct {
	line   Line
	serial modbus.Serial
	client *modbus.Client
	gone   modbus.Stats // counts of clients that were closed
}

// Connect opens the line with the settings.
func Connect(ctx context.Context, line Line, s modbus.Serial) (*Session, error) {
	session := &Session{line: line, serial: s}
	return session, session.open(ctx)
}

func (s *Session) open(ctx context.Context) error {
	link, err := s.line.Open(ctx, s.line.Name, s.serial)
	if err != nil {
		return err
	}
	s.client = modbus.NewClient(link, modbus.Config{Framing: s.line.Framing, Baud: s.serial.Baud})
	return nil
}

// ready opens the line anew where it was closed.
func (s *Session) ready(ctx context.Context) error {
	if s.client != nil && s.client.Err() == nil {
		return nil
	}
	if err := s.Close(); err != nil {
		return err
	}
	return s.open(ctx)
}

// Read is Client.Read.
func (s *Session) Read(ctx context.Context, unit byte, req frame.ReadRequest, timeout time.Duration) ([]byte, error) {
	if err := s.ready(ctx); err != nil {
		return nil, err
	}
	return s.client.Read(ctx, unit, req, timeout)
}

// Identify returns a device's identification as text by object, or why there is none.
func (s *Session) Identify(ctx context.Context, unit byte, timeout time.Duration) ([]string, error) {
	if err := s.ready(ctx); err != nil {
		return nil, err
	}
	objects, err := s.client.Identify(ctx, unit, timeout)
	if err != nil {
		return nil, err
	}
	var texts []string
	for _, o := range objects {
		texts = append(texts, objectName(o.ID)+": "+printable(o.Value))
	}
	return texts, nil
}

func objectName(id byte) string {
	switch id {
	case frame.VendorName:
		return "vendor"
	case frame.ProductCode:
		return "product"
	case frame.MajorMinorRevision:
		return "revision"
	}
	return fmt.Sprintf("object %d", id)
}

// printable keeps what a terminal takes: no control characters of a device.
func printable(b []byte) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if !strconv.IsPrint(r) {
			return '·'
		}
		return r
	}, strings.ToValidUTF8(string(b), "·")))
}

// unitStats adds up what all clients of the session saw of one unit.
func (s *Session) unitStats(unit byte) (late uint64) {
	late = s.gone.Units[unit].Late
	if s.client != nil {
		late += s.client.UnitStats(unit).Late
	}
	return late
}

// strays counts bytes that came unasked, and says whether requests come back.
func (s *Session) strays() (bytes uint64, echo bool) {
	bytes, echo = s.gone.Discarded, s.gone.Echo
	if s.client != nil {
		now := s.client.Stats()
		bytes += now.Discarded + now.Overflow
		echo = echo || now.Echo
	}
	return bytes, echo
}

// Close closes the line; a second one does nothing.
func (s *Session) Close() error {
	if s.client == nil {
		return nil
	}
	now := s.client.Stats()
	s.gone.Discarded += now.Discarded + now.Overflow
	s.gone.Echo = s.gone.Echo || now.Echo
	if s.gone.Units == nil {
		s.gone.Units = map[byte]modbus.UnitStats{}
	}
	for unit, u := range now.Units {
		sum := s.gone.Units[unit]
		sum.Late += u.Late
		s.gone.Units[unit] = sum
	}
	err := s.client.Close()
	s.client = nil
	return err
}

// errSerialForm is the mend of a setting that cannot be read.
var errSerialForm = errors.New(`write speed, data bits, parity (N, E, O) and stop bits like "19200 8E1"`)

// ParseSerial reads a setting as it is written in a site file: "19200 8E1".
func ParseSerial(text string) (modbus.Serial, error) {
	speed, format, ok := strings.Cut(strings.TrimSpace(text), " ")
	baud, err := strconv.Atoi(speed)
	format = strings.ToUpper(strings.TrimSpace(format))
	if !ok || err != nil || baud < 50 || baud > 4_000_000 || len(format) != 3 {
		return modbus.Serial{}, fmt.Errorf("%q: %w", text, errSerialForm)
	}
	s := modbus.Serial{Baud: baud, DataBits: int(format[0] - '0'), Parity: format[1], StopBits: int(format[2] - '0')}
	if s.DataBits != 7 && s.DataBits != 8 || !strings.ContainsRune("NEO", rune(s.Parity)) || s.StopBits != 1 && s.StopBits != 2 {
		return modbus.Serial{}, fmt.Errorf("%q: %w", text, errSerialForm)
	}
	return s, nil
}

// ParseUnits reads unit ids as people write them: "3", "3,7", "1-20".
func ParseUnits(text string) ([]byte, error) {
	var units []byte
	for part := range strings.SplitSeq(text, ",") {
		from, to, ranged := strings.Cut(strings.TrimSpace(part), "-")
		if !ranged {
			to = from
		}
		low, errLow := strconv.Atoi(strings.TrimSpace(from))
		high, errHigh := strconv.Atoi(strings.TrimSpace(to))
		if errors.Join(errLow, errHigh) != nil || low < 0 || high > 255 || low > high {
			return nil, fmt.Errorf(`unit ids %q: write them like "3", "3,7" or "1-20"; 1 to 247 on a serial line, 0 to 255 over Modbus TCP`, text)
		}
		for u := low; u <= high; u++ {
			units = append(units, byte(u))
		}
	}
	return units, nil
}

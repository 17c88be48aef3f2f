package poll

import (
	"context"
	"fmt"

	"loadscribe/agent/modbus"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/textline"
)

// Dial opens a line for real: its serial port, whose name is looked up anew at
// each call, or a TCP connection. The error says what to look at.
func Dial(ctx context.Context, line *sitefile.Line) (Client, error) {
	cfg := modbus.Config{Turnaround: line.Turnaround, Framing: modbus.RTU, Echo: modbus.EchoAuto}
	switch line.Echo {
	case sitefile.EchoOn:
		cfg.Echo = modbus.EchoOn
	case sitefile.EchoOff:
		cfg.Echo = modbus.EchoOff
	}
	var link modbus.Link
	var err error
	switch line.Kind {
	case sitefile.ModbusASCII, sitefile.ModbusRTU:
		if line.Kind == sitefile.ModbusASCII {
			cfg.Framing = modbus.ASCII
		}
		cfg.Baud = line.Serial.Baud
		link, err = modbus.OpenSerial(ctx, line.Port, modbus.Serial(line.Serial))
	case sitefile.ModbusTCP, sitefile.ModbusRTUOverTCP:
		if line.Kind == sitefile.ModbusTCP {
			cfg.Framing = modbus.TCP
		}
		link, err = modbus.DialTCP(ctx, line.Address)
	default:
		return nil, fmt.Errorf("kind %q cannot be polled: use modbus-rtu, modbus-ascii, modbus-tcp or modbus-rtu-over-tcp", line.Kind)
	}
	if err != nil {
		return nil, err
	}
	return modbus.NewClient(link, cfg), nil
}

// DialText opens a text line as Dial opens the others.
func DialText(ctx context.Context, line *sitefile.Line) (TextClient, error) {
	cfg := textline.Config{Turnaround: line.Turnaround, Echo: textline.EchoAuto}
	switch line.Echo {
	case sitefile.EchoOn:
		cfg.Echo = textline.EchoOn
	case sitefile.EchoOff:
		cfg.Echo = textline.EchoOff
	}
	var link modbus.Link
	var err error
	if line.Address != "" {
		link, err = modbus.DialTCP(ctx, line.Address)
	} else {
		cfg.Baud = line.Serial.Baud
		link, err = modbus.OpenSerial(ctx, line.Port, modbus.Serial(line.Serial))
	}
	if err != nil {
		return nil, err
	}
	return textline.New(link, cfg), nil
}

package main

import (
	"errors"
	"fmt"
	"os"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/probe"
	"loadscribe/agent/sitefile"
)

// understand turns what was written into what is meant.
func (p *probing) understand() error {
	if p.Port != "" && p.Address != "" {
		return errors.New("give --port for a serial line or --address for a network one, not both")
	}
	if p.Listen < leastListen {
		return fmt.Errorf("--listen %v: at least %v, so that another master is heard", p.Listen, leastListen)
	}
	if p.Timeout <= 0 || p.Timeout > time.Minute {
		return fmt.Errorf("--timeout %v: write a time up to a minute, like 300ms", p.Timeout)
	}
	if p.Address != "" && p.ASCII {
		return errors.New("--ascii is for serial ports: over a network there are Modbus TCP and --rtu-over-tcp")
	}
	framing := modbus.RTU
	if p.ASCII {
		framing = modbus.ASCII
	}
	p.wish = probe.Wish{Framing: framing, Bauds: p.Baud, Timeout: p.Timeout}
	p.line = probe.SerialLine(p.Port, framing)
	if p.Address != "" {
		if !p.RTUOverTCP {
			framing = modbus.TCP
		}
		p.wish.Framing, p.wish.Net = framing, true
		p.line = probe.NetLine(p.Address, framing)
	}
	for _, text := range p.Serial {
		setting, err := probe.ParseSerial(text)
		if err != nil {
			return fmt.Errorf("--serial %w", err)
		}
		p.wish.Settings = append(p.wish.Settings, setting)
	}
	for _, baud := range p.Baud {
		if baud < 50 || baud > 4_000_000 {
			return fmt.Errorf("--baud %d is no speed of a serial line", baud)
		}
	}
	if p.Unit != "" {
		units, err := probe.ParseUnits(p.Unit)
		if err != nil {
			return fmt.Errorf("--unit: %w", err)
		}
		p.wish.Units = units
	}
	return p.understandTables()
}

func (p *probing) understandTables() error {
	for _, text := range p.Table {
		switch t := sitefile.Table(text); t {
		case sitefile.Coil, sitefile.Discrete, sitefile.Input, sitefile.Holding:
			p.tables = append(p.tables, t)
		default:
			return fmt.Errorf("--table %q: write coil, discrete, input or holding", text)
		}
	}
	if p.Count < 1 || p.Count > probe.MaxCount || int(p.From)+p.Count > 1<<16 {
		return fmt.Errorf("--from %d --count %d: 1 to %d addresses up to 65535 can be looked at in one go", p.From, p.Count, probe.MaxCount)
	}
	for _, text := range p.Name {
		n, err := probe.ParseName(text, p.onlyTable())
		if err != nil {
			return fmt.Errorf("--name: %w", err)
		}
		p.names = append(p.names, n)
	}
	switch {
	case len(p.names) > 0 && p.WriteMap == "":
		return errors.New("--name: give --write-map FILE, where the names go")
	case p.WriteMap != "" && len(p.tables) == 0:
		return errors.New("--write-map: give --table, so that what is named is seen first")
	}
	if p.WriteMap != "" {
		if _, err := os.Lstat(p.WriteMap); err == nil {
			return fmt.Errorf("--write-map %s: %w", p.WriteMap, probe.ErrMapExists)
		}
	}
	return nil
}

func (p *probing) onlyTable() sitefile.Table {
	if len(p.tables) == 1 {
		return p.tables[0]
	}
	return ""
}

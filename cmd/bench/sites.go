package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"loadscribe/agent/sitefile"
	"loadscribe/simulator"
)

// writeSite lays a site file and its only map into dir and loads it.
func writeSite(dir, site, registerMap string) (*sitefile.Site, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("make the bench site: %w", err)
	}
	path := filepath.Join(dir, "site.toml")
	for name, text := range map[string]string{path: site, filepath.Join(dir, "map.toml"): registerMap} {
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			return nil, fmt.Errorf("write the bench site: %w", err)
		}
	}
	return sitefile.Load(path, sitefile.Options{})
}

// bankSite is a site whose only device is the bank.
func bankSite(dir, address string) (*sitefile.Site, error) {
	return writeSite(filepath.Join(dir, "bank"), `
[site]
name = "Bench"
timezone = "UTC"
`+bankDevice("map.toml", address), bankMap(bankRegisters))
}

// bankDevice is the part of a site file that polls the bank.
func bankDevice(mapPath, address string) string {
	return fmt.Sprintf(`
[[line]]
name = "bank-net"
kind = "modbus-tcp"
address = %q

[[device]]
name = "bank"
line = "bank-net"
unit = %d
map = %q
every = "1s"
`, address, bankUnit, mapPath)
}

// bankMap has a channel for each of the bank's first n registers.
func bankMap(n int) string {
	var text strings.Builder
	text.WriteString("name = \"Bank of registers (bench)\"\nprotocol = \"modbus\"\naddressing = \"zero-based\"\n")
	for i := range n {
		fmt.Fprintf(&text, "\n[[channel]]\nname = \"value_%02d\"\ntable = \"holding\"\naddress = %d\ntype = \"u16\"\n", i, i)
	}
	return text.String()
}

// weekSite is the site of the bench week: one machine, whose twelve channels
// are the week's columns. One whose name begins with moreColumns has no role.
func weekSite(dir string, columns []simulator.BenchColumn) (*sitefile.Site, error) {
	var registers strings.Builder
	registers.WriteString("name = \"Bench week\"\nprotocol = \"modbus\"\naddressing = \"zero-based\"\n")
	for i, c := range columns {
		kind, role := "u16", fmt.Sprintf("role = %q\n", c.Name)
		switch c.Name {
		case "run_hours", "energy":
			kind = "u32"
		case "discharge_temperature", "ambient_temperature":
			kind = "i16"
		case "status": // a word of bits, kept whole
			role = ""
		}
		if strings.HasPrefix(c.Name, moreColumns) {
			kind, role = "i32", "" // of any kind
		}
		fmt.Fprintf(&registers, "\n[[channel]]\nname = %q\n%stable = \"holding\"\naddress = %d\ntype = %q\nscale = %g\nunit = %q\n",
			c.Name, role, 2*i, kind, c.Scale, c.Unit)
	}
	return writeSite(dir, `
[site]
name = "Harrow Lane Joinery"
timezone = "America/Chicago"
shifts = ["Mon-Fri 07:00-16:00"]

[[line]]
name = "bus"
kind = "modbus-tcp"
address = "127.0.0.1:502"

[[device]]
name = "controller"
line = "bus"
unit = 1
map = "map.toml"
every = "1s"

[[machine]]
name = "comp1"
control = "load/unload"
rated_flow = "185 cfm"
rated_pressure = "125 psi"
rated_power = "37 kW"
channels = { controller = "*" }
`, registers.String())
}

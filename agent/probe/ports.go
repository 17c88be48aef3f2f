package probe

import (
	"io"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"loadscribe/agent/modbus"
)

// Port is a serial port of this computer.
type Port struct {
	Name string `json:"name"`
	// Stable is a name that stays when the adapter is unplugged and comes
	// back, or empty: the one to write into a site file.
	Stable string `json:"stable,omitempty"`
	// Known is what the system knows of the adapter, or empty.
	Known string `json:"known,omitempty"`
}

// Ports lists the serial ports. root is the folder that holds dev and sys, from
// which Linux tells more of a port: "/"; empty asks for the names only.
func Ports(root string) ([]Port, error) {
	names, err := modbus.SerialPorts()
	if err != nil {
		return nil, err
	}
	return describe(names, root), nil
}

// Folders in which Linux keeps what it knows of serial ports.
const (
	byID     = "dev/serial/by-id"
	byPath   = "dev/serial/by-path" // tells twins without a serial number apart
	ttyClass = "sys/class/tty"
)

// describe adds what root says to the names. Where root says nothing (other
// systems, no rights), the names stand alone: that is no error.
func describe(names []string, root string) []Port {
	ports := make([]Port, 0, len(names))
	stable := stableNames(root)
	for _, name := range names {
		p := Port{Name: name, Stable: stable[path.Base(name)]}
		if root != "" && strings.HasPrefix(name, "/dev/") {
			p.Known = known(root, path.Base(name))
		}
		ports = append(ports, p)
	}
	slices.SortFunc(ports, func(a, b Port) int { return strings.Compare(natural(a.Name), natural(b.Name)) })
	return ports
}

// stableNames maps a port's base name to its stable link; by-id wins.
func stableNames(root string) map[string]string {
	stable := map[string]string{}
	if root == "" {
		return stable
	}
	for _, folder := range []string{byPath, byID} {
		entries, err := os.ReadDir(filepath.Join(root, folder))
		if err != nil {
			continue // no such adapter, or another system
		}
		for _, e := range entries {
			if target, err := os.Readlink(filepath.Join(root, folder, e.Name())); err == nil {
				stable[path.Base(target)] = "/" + path.Join(folder, e.Name())
			}
		}
	}
	return stable
}

// known reads maker, product, serial number and driver of a port's adapter. A
// USB adapter's own folder is some levels above the port's.
func known(root, tty string) string {
	device, err := filepath.EvalSymlinks(filepath.Join(root, ttyClass, tty, "device"))
	if err != nil {
		return ""
	}
	var words []string
	folder := device
	for range 3 {
		for _, file := range []string{"manufacturer", "product", "serial"} {
			if text := readLine(filepath.Join(folder, file)); text != "" {
				if file == "serial" {
					text = "serial number " + text
				}
				words = append(words, text)
			}
		}
		if len(words) > 0 {
			break
		}
		folder = filepath.Dir(folder)
	}
	if target, err := os.Readlink(filepath.Join(device, "driver")); err == nil {
		words = append(words, "driver "+filepath.Base(target))
	}
	return strings.Join(words, ", ")
}

// maxLine bounds what is read of a file that should hold one line.
const maxLine = 256

// readLine returns a small file's text, or nothing where there is none.
func readLine(name string) string {
	f, err := os.Open(name)
	if err != nil {
		return ""
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxLine))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// natural makes COM10 sort behind COM9.
func natural(name string) string {
	var out strings.Builder
	digits := ""
	flush := func() {
		if digits != "" {
			out.WriteString(strings.Repeat("0", max(0, 8-len(digits))) + digits)
			digits = ""
		}
	}
	for _, r := range name {
		if r >= '0' && r <= '9' {
			digits += string(r)
			continue
		}
		flush()
		out.WriteRune(r)
	}
	flush()
	return out.String()
}

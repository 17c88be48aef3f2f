package newsite

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Remark is a mistake, or what is likely not meant, at a field of the draft.
type Remark struct {
	// Field is where in the draft, "device.0.unit"; empty: the whole.
	Field   string `json:"field"`
	File    string `json:"file"` // the file to be, as named in the draft
	Line    int    `json:"line"` // in that file, from 1; 0: the whole
	Message string `json:"message"`
	Mend    string `json:"mend"` // may be empty
}

// Checked is what a draft is worth.
type Checked struct {
	// Text is the site file as it would be written.
	Text     string         `json:"text"`
	Problems []Remark       `json:"problems"` // none: it can be written
	Warnings []Remark       `json:"warnings"`
	Devices  []DeviceSeen   `json:"devices"`
	Machines []MachineRoles `json:"machines"` // none while there are problems
}

// DeviceSeen is what a device's map holds, as far as it can be read.
type DeviceSeen struct {
	Device   string        `json:"device"`
	Map      string        `json:"map"`
	Title    string        `json:"title"` // the map's own name
	Channels []ChannelSeen `json:"channels"`
}

// ChannelSeen is a channel of a map.
type ChannelSeen struct {
	Name string `json:"name"`
	Role string `json:"role"` // may be empty
	Unit string `json:"unit"`
	// Measures is what the unit is one of, "pressure".
	Measures string `json:"measures"`
}

// MachineRoles is which channel fills which role of a machine.
type MachineRoles struct {
	Machine string       `json:"machine"`
	Roles   []RoleFilled `json:"roles"`
}

// RoleFilled is a role with its channel.
type RoleFilled struct {
	Role    string `json:"role"`
	Channel string `json:"channel"`
}

// Check writes the draft as a site file in memory and checks it as a start would.
func (m *Maker) Check(d *Draft) (*Checked, error) {
	w := write(d, m.listen())
	c := &Checked{Text: w.b.String(), Problems: []Remark{}, Warnings: []Remark{}, Devices: []DeviceSeen{}, Machines: []MachineRoles{}}
	c.Problems = append(append(c.Problems, mapNames(d)...), unusedMaps(d)...)
	site, _, problems := sitefile.InspectWith(m.path, sitefile.Options{}, m.reader(c.Text, d))
	for _, p := range problems {
		c.Problems = append(c.Problems, m.remark(w, d, p))
	}
	c.Devices = m.devices(d)
	if site == nil {
		return c, nil
	}
	for i := range site.Machines {
		of := MachineRoles{Machine: site.Machines[i].Name, Roles: []RoleFilled{}}
		for _, r := range scan.Roles() {
			if id := site.Machines[i].Roles[r]; id != "" {
				of.Roles = append(of.Roles, RoleFilled{string(r), id})
			}
		}
		c.Machines = append(c.Machines, of)
	}
	warnings, err := m.o.Warnings(site)
	for _, p := range warnings {
		c.Warnings = append(c.Warnings, m.remark(w, d, p))
	}
	return c, err
}

// Names that a map to be written may have, and that one which stands there may.
var (
	ownMapName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,59}$`)
	mapPath    = regexp.MustCompile(`^maps/([A-Za-z0-9][A-Za-z0-9_-]{0,99})\.toml$`)
	// On Windows these are devices, with any ending too: what is written to one is in
	// no file (Microsoft, Naming Files, Paths, and Namespaces; from memory).
	deviceName = regexp.MustCompile(`^(con|prn|aux|nul|com[0-9]|lpt[0-9])$`)
)

// mapNames finds what is wrong with the names of maps, before any is read.
func mapNames(d *Draft) (all []Remark) {
	seen := map[string]bool{}
	for i, m := range d.Maps {
		field := fmt.Sprintf("maps.%d.name", i)
		switch {
		case !ownMapName.MatchString(m.Name):
			all = append(all, Remark{Field: field, Message: fmt.Sprintf("%q is no name for a map", m.Name),
				Mend: "use a-z, digits and -, at most 60, like power-meter"})
		case deviceName.MatchString(m.Name):
			all = append(all, Remark{Field: field, Message: fmt.Sprintf("%q is the name of a device on Windows, not of a file", m.Name),
				Mend: "give the map another name, like power-meter"})
		case seen[m.Name]:
			all = append(all, Remark{Field: field, Message: fmt.Sprintf("there are two maps %q", m.Name), Mend: "give each its own name"})
		}
		seen[m.Name] = true
	}
	return all
}

// unusedMaps finds the mistakes of maps that no device names: the others are read
// with the site.
func unusedMaps(d *Draft) (all []Remark) {
	for i, m := range d.Maps {
		file := path.Join("maps", m.Name+".toml")
		if slices.ContainsFunc(d.Device, func(of DeviceDraft) bool { return strings.TrimSpace(of.Map) == file }) {
			continue
		}
		_, err := sitefile.ParseMap(file, []byte(m.Text))
		var problems sitefile.Problems
		if !errors.As(err, &problems) {
			continue
		}
		for _, p := range problems {
			all = append(all, Remark{fmt.Sprintf("maps.%d.text", i), file, p.Line, p.Message, p.Mend})
		}
	}
	return all
}

// reader reads the site file from memory, and maps from the draft, from the folder
// beside it, or from the examples; nothing else.
func (m *Maker) reader(text string, d *Draft) func(string) ([]byte, error) {
	return func(name string) ([]byte, error) {
		if name == m.path {
			return []byte(text), nil
		}
		missing := &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
		below, err := filepath.Rel(filepath.Dir(m.path), name)
		if err != nil {
			return nil, missing
		}
		data, _, err := m.mapText(filepath.ToSlash(below), d)
		if err != nil {
			return nil, missing
		}
		return data, nil
	}
}

// remark brings a problem to the field of the draft that it is about.
func (m *Maker) remark(w *writer, d *Draft, p sitefile.Problem) Remark {
	r := Remark{File: m.short(p.File), Line: p.Line, Message: m.named(p.Message), Mend: m.named(p.Mend)}
	if p.File != m.path { // a map
		for i := range d.Maps {
			if r.File == path.Join("maps", d.Maps[i].Name+".toml") {
				r.Field = fmt.Sprintf("maps.%d.text", i)
				return r
			}
		}
		for i := range d.Device {
			if r.File == strings.TrimSpace(d.Device[i].Map) {
				r.Field = fmt.Sprintf("device.%d.map", i)
				break
			}
		}
		return r
	}
	r.Field = w.fieldOf(p.Line, p.Col, p.Key)
	if strings.HasPrefix(p.Mend, "write it without quotes") {
		r.Message, r.Mend = "this is no plain number", "write digits with a point, without a unit, like 0.118"
	}
	return r
}

// short is a file's name as the draft has it.
func (m *Maker) short(file string) string {
	below, err := filepath.Rel(filepath.Dir(m.path), file)
	if err != nil {
		return filepath.Base(file)
	}
	return filepath.ToSlash(below)
}

// named takes the folder out of a sentence.
func (m *Maker) named(sentence string) string {
	if dir := filepath.Dir(m.path); dir != "." {
		sentence = strings.ReplaceAll(sentence, dir+string(filepath.Separator), "")
	}
	return sentence
}

// fieldOf is the field at a place of the text. key is the site file's name of what
// is wrong, "machine.motor.volts", which may be missing in the text: then the place
// is that of its table.
func (w *writer) fieldOf(line, col int, key string) string {
	if line == 0 { // of the file as a whole: "line" where there is none
		return key
	}
	var at *place
	for i := range w.places {
		if p := &w.places[i]; p.line < line || p.line == line && p.col <= col {
			at = p
		}
	}
	if at == nil {
		return key
	}
	bare := withoutNumbers(at.field)
	if rest, below := strings.CutPrefix(key, bare+"."); below {
		return at.field + "." + rest
	}
	return at.field
}

func withoutNumbers(field string) string {
	parts := slices.DeleteFunc(strings.Split(field, "."), func(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" })
	return strings.Join(parts, ".")
}

// devices are what the devices' maps hold.
func (m *Maker) devices(d *Draft) []DeviceSeen {
	all := make([]DeviceSeen, 0, len(d.Device))
	for i := range d.Device {
		seen := DeviceSeen{Device: strings.TrimSpace(d.Device[i].Name), Map: strings.TrimSpace(d.Device[i].Map), Channels: []ChannelSeen{}}
		if data, _, err := m.mapText(seen.Map, d); err == nil {
			if of, err := sitefile.ParseMap(seen.Map, data); err == nil {
				seen.Title = of.Name
				for k := range of.Channels {
					c := &of.Channels[k]
					seen.Channels = append(seen.Channels, ChannelSeen{c.Name, string(c.Role), c.UnitText, c.Unit.Dimension.String()})
				}
			}
		}
		all = append(all, seen)
	}
	return all
}

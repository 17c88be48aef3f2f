package service

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"loadscribe/agent/sitefile"
)

// DefaultName is the name of the service where none is given.
const DefaultName = "loadscribe"

// Account is the user that the service runs as under systemd, whatever its name: what one
// has recorded, the next one of the same site reads on.
const Account = "loadscribe"

// Plan is what a service is made of. All paths are absolute, without links.
type Plan struct {
	Name    string
	Program string   // the binary that it runs
	Site    string   // site file
	Data    string   // data directory; the service's alone
	Log     string   // log file, or empty: standard error only
	Reads   []string // files that it must be able to read: the site file, its maps, secrets; outside Data
	Inside  []string // such files that lie in Data, where they must not
	Folders []string // the folders that hold them
	Writes  []string // folders beside Data that it writes to: backups, log; outside Data
	Serial  bool     // it opens serial ports
	Devices []string // of the ports, classes as in /proc/devices, like "ttyUSB"
	Groups  []string // that may open the ports
	Listen  string   // host:port of its pages
	// Systemd is the version of systemd that the unit is for; 0: any.
	Systemd int
	// Packaged marks the plan of a package: its unit is there before any site file, and is
	// not started without one.
	Packaged bool
}

// Problem is something that must be mended before a service can be installed.
type Problem struct {
	What string // what is wrong
	Mend string
}

// Error is what is wrong and what mends it.
func (p Problem) Error() string { return p.What + "; " + p.Mend }

var serviceName = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_-]{0,63}$`)

// CheckName refuses names that a service manager or a file system would not take.
func CheckName(name string) error {
	if !serviceName.MatchString(name) {
		return Problem{fmt.Sprintf("%q is no name for a service", name), "use letters, digits, - and _, a letter first, at most 64"}
	}
	return nil
}

// NewPlan is the plan of a site. program is where the binary will be.
func NewPlan(site *sitefile.Site, name, program string) (*Plan, error) {
	if err := CheckName(name); err != nil {
		return nil, err
	}
	p := &Plan{Name: name, Program: program, Listen: site.Agent.Listen}
	var errs []error
	real := func(path string) string {
		real, err := resolved(path)
		errs = append(errs, err)
		return real
	}
	p.Site, p.Data = real(site.Path), real(site.Agent.DataDir)
	for _, f := range slices.Concat(fileNames(site), secrets(site)) {
		f = real(f)
		to := &p.Reads
		if below(f, p.Data) {
			to = &p.Inside
		}
		if !slices.Contains(*to, f) {
			*to = append(*to, f)
		}
	}
	for _, f := range p.Reads {
		if dir := filepath.Dir(f); !slices.Contains(p.Folders, dir) {
			p.Folders = append(p.Folders, dir)
		}
	}
	if site.Agent.Log != "" {
		p.Log = real(site.Agent.Log)
		p.addWrite(filepath.Dir(p.Log))
	}
	if site.Agent.Backup.Dir != "" {
		p.addWrite(real(site.Agent.Backup.Dir))
	}
	for i := range site.Lines {
		if port := site.Lines[i].Port; port != "" {
			p.addPort(port)
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return p, nil
}

func fileNames(site *sitefile.Site) []string {
	all := []string{site.Path}
	for _, f := range site.Files {
		all = append(all, f.Path)
	}
	return all
}

func (p *Plan) addWrite(dir string) {
	if !below(dir, p.Data) && !slices.Contains(p.Writes, dir) {
		p.Writes = append(p.Writes, dir)
	}
}

// addPort learns a serial port's class and group, where it is there.
func (p *Plan) addPort(port string) {
	if !p.Serial { // an adapter may come back as one of another kind
		p.Serial, p.Devices = true, []string{"ttyACM", "ttyS", "ttyUSB"}
	}
	class, group := portFacts(port)
	if class != "" && !slices.Contains(p.Devices, class) {
		p.Devices = append(p.Devices, class)
	}
	if group != "" && !slices.Contains(p.Groups, group) {
		p.Groups = append(p.Groups, group)
	}
}

// resolved is an absolute path without links; what is not there yet stays as it is named.
func resolved(path string) (string, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	real, err := filepath.EvalSymlinks(path)
	if errors.Is(err, fs.ErrNotExist) && filepath.Dir(path) != path {
		parent, err := resolved(filepath.Dir(path))
		return filepath.Join(parent, filepath.Base(path)), err
	}
	return real, err
}

// below reports whether path is dir or lies in it.
func below(path, dir string) bool {
	rest, err := filepath.Rel(dir, path)
	return err == nil && rest != ".." && !strings.HasPrefix(rest, ".."+string(filepath.Separator))
}

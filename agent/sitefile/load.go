package sitefile

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // Windows has no zone data base of its own

	"loadscribe/agent/air"
	"loadscribe/agent/quantity"
)

const (
	// DefaultListen is where a site is served whose file does not say.
	DefaultListen = "127.0.0.1:8477"
	defaultData   = "data"
	weeksPerYear  = 52
	// maxFileBytes bounds what is read as a site file or a map; a map of a
	// thousand channels has a tenth of it.
	maxFileBytes = 1 << 20
	// Station pressures outside these limits are no place where people work;
	// most likely a gauge or sea-level value slipped in.
	lowestBarometerPa, highestBarometerPa = 45e3, 115e3
)

// ListenOption is the File of a Problem with Options.Listen.
const ListenOption = "--listen"

// Options overrides what the site file says; empty fields leave it.
type Options struct {
	Data   string // data directory, relative to the working directory
	Listen string // host:port
}

// Load reads the site file at path and the register maps it names. The error
// is of type Problems and lists everything that is wrong.
func Load(path string, opts Options) (*Site, error) {
	return load(path, opts, readFile)
}

func load(path string, opts Options, read func(path string) ([]byte, error)) (*Site, error) {
	return newLoader(path, read).load(opts)
}

func (l *loader) load(opts Options) (*Site, error) {
	data, err := l.read(l.path)
	if err != nil {
		return nil, Problems{unreadable(l.path, "", position{}, l.path, err, "name an existing site file")}
	}
	l.readSiteFile(data)
	if opts.Data != "" {
		l.site.Agent.DataDir = opts.Data
	}
	if opts.Listen != "" {
		l.site.Agent.Listen = opts.Listen
		if why := listenMistake(opts.Listen); why != "" {
			l.found.problems = append(l.found.problems, Problem{File: ListenOption, Message: why,
				Mend: `write host and port, like "127.0.0.1:8477"`})
		}
	}
	return l.finish()
}

// LoadMap reads a register map alone. The error is of type Problems.
func LoadMap(path string) (*RegisterMap, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, Problems{unreadable(path, "", position{}, path, err, "name an existing register map")}
	}
	return ParseMap(path, data)
}

// ParseMap reads the text of a register map; path is the name that mistakes are
// told under. The error is of type Problems.
func ParseMap(path string, data []byte) (*RegisterMap, error) {
	found := &findings{}
	m := readMap(path, data, found)
	if err := found.err(); err != nil {
		return nil, err
	}
	return m, nil
}

// readFile reads a whole file of at most maxFileBytes.
func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxFileBytes+1))
	if err == nil && len(data) > maxFileBytes {
		err = fmt.Errorf("larger than %d bytes", maxFileBytes)
	}
	return data, err
}

// unreadable is the problem of a file that cannot be read.
func unreadable(file, key string, at position, path string, err error, mend string) Problem {
	p := Problem{File: file, Line: at.line, Col: at.col, Key: key, Cause: err, Mend: mend}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		p.Message = fmt.Sprintf("there is no file %s", path)
	case errors.Is(err, fs.ErrPermission):
		p.Message, p.Mend = fmt.Sprintf("%s may not be read by this user", path), "change its permissions"
	case isFolder(path):
		p.Message, p.Mend = fmt.Sprintf("%s is a folder", path), "name the file in it, such as "+filepath.Join(path, "site.toml")
		if key != "" {
			p.Mend = "name a file in it"
		}
	default:
		p.Message = fmt.Sprintf("cannot read %s: %v", path, err)
	}
	return p
}

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

// loader reads one site. It resolves references as it goes: lines, devices,
// machines, systems, in this order.
type loader struct {
	path  string
	read  func(path string) ([]byte, error)
	found *findings
	site  *Site
	hash  hash.Hash

	maps        map[string]*RegisterMap // by path; nil: unusable, complained of
	lineNames   names
	lineKinds   map[string]LineKind
	deviceNames names
	machines    names
	systems     names
	units       map[string]string // line and unit id → device
	roleOf      map[string]string // channel id of a role of its own → machine
}

func newLoader(path string, read func(string) ([]byte, error)) *loader {
	return &loader{
		path: path, read: read, found: &findings{}, hash: sha256.New(),
		site:      &Site{Path: path},
		maps:      map[string]*RegisterMap{},
		lineNames: names{}, lineKinds: map[string]LineKind{}, deviceNames: names{},
		machines: names{}, systems: names{},
		units: map[string]string{}, roleOf: map[string]string{},
	}
}

// addFile makes a file part of the site and of its hash, with its length, so
// that no byte can move from one file to the next unnoticed.
func (l *loader) addFile(name, path string, isMap bool, data []byte) {
	sum := sha256.Sum256(data)
	l.site.Files = append(l.site.Files, File{Name: name, Path: path, Map: isMap, Hash: hex.EncodeToString(sum[:]), Text: data})
	l.hash.Write(binary.BigEndian.AppendUint64(nil, uint64(len(data))))
	l.hash.Write(data)
}

func (l *loader) readSiteFile(data []byte) {
	l.found.files = append(l.found.files, l.path)
	l.addFile(filepath.Base(l.path), l.path, false, data)
	doc, err := parseDocument(data)
	if err != nil {
		l.found.problems = append(l.found.problems, syntaxProblem(l.path, err))
		return
	}
	root := &section{file: l.path, found: l.found, table: doc}
	l.readSite(root)
	l.readAgent(root)
	l.readLines(root)
	l.readDevices(root)
	l.readMachines(root)
	l.readTariff(root) // names a channel
	l.readSystems(root)
	l.readMail(root)
	l.readWebhooks(root)
	l.readRemoteWrites(root)
	l.readAlarms(root) // names all of these
	l.readReport(root)
	root.done()
}

func (l *loader) finish() (*Site, error) {
	if err := l.found.err(); err != nil {
		return nil, err
	}
	s := l.site
	s.Hash = hex.EncodeToString(l.hash.Sum(nil))
	s.Warnings = l.found.sorted(l.found.warnings)
	for _, p := range []*string{&s.Path, &s.Agent.DataDir, &s.Agent.Backup.Dir, &s.Agent.Log, &s.Agent.TLS.Certificate, &s.Agent.TLS.Key} {
		if *p == "" {
			continue
		}
		abs, err := filepath.Abs(*p)
		if err != nil {
			return nil, Problems{{File: l.path, Message: fmt.Sprintf("cannot find the working directory: %v", err), Cause: err}}
		}
		*p = abs
	}
	return s, nil
}

// below returns a path of the site file relative to its folder.
func (l *loader) below(path string) string {
	path = filepath.FromSlash(path)
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(l.path), path)
}

func (l *loader) readSite(root *section) {
	site := l.site
	base := filepath.Base(l.path)
	site.Name = strings.TrimSuffix(base, filepath.Ext(base))
	site.Location, site.WeeksPerYear = time.UTC, weeksPerYear
	site.BarometerPa = air.StandardPa(0)
	s := root.sub("site")
	if s == nil {
		return
	}
	if s.table.find("name") != nil {
		site.Name = s.label("name", "")
	}
	s.entry("name")
	site.Location = s.zone("timezone")
	if s.choice("units", "si", "us", "si") == "us" {
		site.Units = quantity.US
	}
	l.readBarometer(s)
	site.GasTradeScfm = s.choice("scfm", scfmTrade, scfmTrade, scfmGas) == scfmGas
	site.Shifts = s.windows("shifts")
	site.Holidays = s.holidays("holidays")
	if len(site.Shifts) > 0 && s.table.find("timezone") == nil {
		s.warn(s.table.find("shifts").at, "shifts", `add timezone = "America/Chicago" or the like`,
			"without a timezone the shifts are in UTC")
	}
	site.WeeksPerYear = s.number("weeks_per_year", weeksPerYear)
	if !(site.WeeksPerYear > 0 && site.WeeksPerYear <= 53) {
		s.problem(s.table.find("weeks_per_year").value.at, "weeks_per_year", "write up to 53", "%g is no number of weeks", site.WeeksPerYear)
	}
	s.done()
}

// What scfm may mean: 1 of the gas trade is 1.029 of the compressed-air trade.
const (
	scfmTrade = "14.5 psia, 68 °F"
	scfmGas   = "14.696 psia, 60 °F"
)

func (s *section) zone(key string) *time.Location {
	const mend = `write a name of the time zone data base, like "America/Chicago", "Europe/Berlin" or "UTC"`
	name := s.text(key, "UTC")
	loc, err := time.LoadLocation(name)
	// "" would mean UTC and "Local" whatever the computer is set to.
	if err != nil || name == "" || name == "Local" {
		s.problem(s.table.find(key).value.at, key, mend, "time zone %q is not known", name)
		return time.UTC
	}
	return loc
}

func (l *loader) readBarometer(s *section) {
	altitude, byAltitude := s.quantity("altitude", quantity.Length)
	barometer, given := s.quantity("barometer", quantity.Pressure)
	if e := s.table.find("barometer"); e != nil && s.table.find("altitude") != nil {
		s.problem(e.at, "barometer", "keep one of the two", "both altitude and barometer are given")
	}
	l.site.BarometerGiven = byAltitude || given
	if byAltitude {
		if m := altitude.SI(); m < -430 || m > 6000 {
			s.problem(s.table.find("altitude").value.at, "altitude", "write the height above sea level", "nobody works at %s", altitude)
		}
		l.site.BarometerPa = air.StandardPa(altitude.SI())
	}
	if given {
		l.site.BarometerPa = barometer.SI()
		if pa := barometer.SI(); pa < lowestBarometerPa || pa > highestBarometerPa {
			s.problem(s.table.find("barometer").value.at, "barometer",
				`write the absolute pressure of the air outside, not corrected to sea level, like "98.8 kPa"`, "%s is no station pressure", barometer)
		}
	}
}

const listenMend = `write host and port, like listen = "127.0.0.1:8477"`

func (l *loader) readAgent(root *section) {
	a := &l.site.Agent
	a.Listen, a.DataDir = DefaultListen, l.below(defaultData)
	s := root.sub("agent")
	if s == nil {
		return
	}
	if data := s.text("data", defaultData); data != "" {
		a.DataDir = l.below(data)
	} else {
		s.problem(s.table.find("data").value.at, "data", `write a folder, like data = "data"`, "the data directory is empty")
	}
	l.readKeeping(s, a)
	if e := s.table.find("log"); e != nil {
		if file := s.text("log", ""); file != "" {
			a.Log = l.below(file)
		} else if e.value.kind == kindText {
			s.problem(e.value.at, "log", `write a file, like log = "data/log/loadscribe.log", or leave it out for none`, "the log's file has no name")
		}
	}
	a.Listen = s.text("listen", DefaultListen)
	if e := s.table.find("listen"); e != nil && e.value.kind == kindText {
		if why := listenMistake(a.Listen); why != "" {
			s.problem(e.value.at, "listen", listenMend, "%s", why)
		}
	}
	l.readSignIn(s, a)
	s.done()
}

const (
	keepMend   = `write days, like keep_raw = "400d"; leave it out to keep all`
	backupMend = `write like backup = { dir = "backups", every = "24h", keep = 2 }`
	longDay    = 24 * time.Hour
)

// readKeeping reads how long raw readings are kept and where backups go.
func (l *loader) readKeeping(s *section, a *Agent) {
	keep := s.duration("keep_raw", 0, longDay, keepMend)
	if keep%longDay != 0 {
		s.problem(s.table.find("keep_raw").value.at, "keep_raw", keepMend, "%v is not a number of whole days", keep)
	}
	a.KeepRawDays = int(keep / longDay)
	b := s.sub("backup")
	if b == nil {
		return
	}
	if b.need("dir", backupMend) != nil {
		if dir := b.text("dir", ""); dir != "" {
			a.Backup.Dir = l.below(dir)
		} else if e := b.table.find("dir"); e.value.kind == kindText {
			b.problem(e.value.at, "dir", backupMend, "the folder is empty")
		}
	}
	a.Backup.Every = b.duration("every", longDay, time.Hour, backupMend)
	a.Backup.Keep = int(b.integer("keep", 2, 1, 1000, backupMend))
	b.done()
}

// listenMistake says what is wrong with an address to listen at, or "".
func listenMistake(text string) string {
	host, port, err := net.SplitHostPort(text)
	if err != nil || strings.ContainsAny(host, " /") {
		return fmt.Sprintf("%q is not host and port", text)
	}
	if _, err := strconv.ParseUint(port, 10, 16); err != nil {
		return fmt.Sprintf("%q is not a TCP port from 0 to 65535", port)
	}
	return ""
}

func loopback(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	ip := net.ParseIP(host)
	return err == nil && (host == "localhost" || ip != nil && ip.IsLoopback())
}

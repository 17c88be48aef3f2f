package simulator

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"reflect"
	"slices"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"loadscribe/agent/quantity"
)

//go:embed scenarios/*.toml
var scenarioFiles embed.FS

// Scenarios lists the names of the scenarios in the binary.
func Scenarios() []string {
	entries, err := fs.ReadDir(scenarioFiles, "scenarios")
	if err != nil {
		panic("simulator: embedded scenarios: " + err.Error())
	}
	names := make([]string, 0, len(entries))
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".toml"))
	}
	return names
}

// ErrUnknownScenario: no built-in scenario has the name.
var ErrUnknownScenario = errors.New("unknown scenario")

// LoadScenario reads a scenario by its name (see Scenarios) or from a file: a
// text with a path separator or ending in ".toml" is a path. Errors name the
// file and, where they can, line, column and key; those about the content wrap
// ErrScenario.
func LoadScenario(nameOrPath string) (*Scenario, error) {
	data, err := ScenarioText(nameOrPath)
	if err != nil {
		return nil, err
	}
	return ParseScenario(nameOrPath, data)
}

// ScenarioText is the TOML text of a scenario that LoadScenario would read.
func ScenarioText(nameOrPath string) ([]byte, error) {
	if !strings.ContainsAny(nameOrPath, `/\`) && !strings.HasSuffix(nameOrPath, ".toml") {
		data, err := scenarioFiles.ReadFile("scenarios/" + nameOrPath + ".toml")
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%w %q; known are %s, or give the path of a .toml file", ErrUnknownScenario,
				nameOrPath, strings.Join(Scenarios(), ", "))
		}
		if err != nil {
			return nil, fmt.Errorf("read scenario: %w", err)
		}
		return data, nil
	}
	data, err := os.ReadFile(nameOrPath)
	if err != nil {
		return nil, fmt.Errorf("read scenario: %w", err)
	}
	return data, nil
}

// ParseScenario reads the TOML text of a scenario; file is its name in errors.
func ParseScenario(file string, data []byte) (*Scenario, error) {
	var f scenarioFile
	d := toml.NewDecoder(strings.NewReader(string(data))).DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		return nil, explainTOML(file, err)
	}
	r := reader{file: file}
	s := f.scenario(&r)
	if err := errors.Join(r.errs...); err != nil {
		return nil, err
	}
	if err := s.Validate(); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	return s, nil
}

// explainTOML says where a TOML error is, in the file's own words.
func explainTOML(file string, err error) error {
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) {
		var errs []error
		for i := range strict.Errors {
			e := &strict.Errors[i]
			row, col := e.Position()
			errs = append(errs, fmt.Errorf("%s:%d:%d: %w: unknown key %q; %s",
				file, row, col, ErrScenario, strings.Join(e.Key(), "."), mendKey(e.Key())))
		}
		return errors.Join(errs...)
	}
	var decode *toml.DecodeError
	if errors.As(err, &decode) {
		row, col := decode.Position()
		if key := strings.Join(decode.Key(), "."); key != "" {
			return fmt.Errorf("%s:%d:%d: %w: %s: wrong kind of value: quantities and times are texts like \"185 cfm\", the rest numbers", file, row, col, ErrScenario, key)
		}
		return fmt.Errorf("%s:%d:%d: %w: %w", file, row, col, ErrScenario, err)
	}
	return fmt.Errorf("%s: %w: %w", file, ErrScenario, err)
}

// mendKey says which key may have been meant.
func mendKey(key []string) string {
	at := reflect.TypeFor[scenarioFile]()
	for i, word := range key {
		var known []string
		var next reflect.Type
		for k := range at.NumField() {
			name := at.Field(k).Tag.Get("toml")
			known = append(known, name)
			if name == word {
				next = at.Field(k).Type
			}
		}
		if next == nil {
			if near := quantity.Nearest(word, known); near != "" {
				return fmt.Sprintf("did you mean %q?", strings.Join(append(slices.Clone(key[:i]), near), "."))
			}
			slices.Sort(known)
			return "known here are " + strings.Join(known, ", ")
		}
		for next.Kind() == reflect.Slice || next.Kind() == reflect.Pointer {
			next = next.Elem()
		}
		if next.Kind() != reflect.Struct {
			break
		}
		at = next
	}
	return "the key before it has no keys of its own"
}

// reader turns texts into SI and collects what is wrong with them.
type reader struct {
	file string
	errs []error
}

func (r *reader) fail(key string, err error) {
	r.errs = append(r.errs, fmt.Errorf("%s: %w: %s: %w", r.file, ErrScenario, key, err))
}

// quantity reads text; if it is empty, fallback (which may be empty: zero).
func (r *reader) quantity(key, text, fallback string, dim quantity.Dimension) quantity.Quantity {
	if text == "" {
		text = fallback
	}
	if text == "" {
		return quantity.Quantity{}
	}
	q, err := quantity.ParseDim(text, dim)
	if err != nil {
		r.fail(key, err)
	}
	return q
}

func (r *reader) si(key, text, fallback string, dim quantity.Dimension) float64 {
	if text == "" && fallback == "" {
		return 0
	}
	return r.quantity(key, text, fallback, dim).SI()
}

// gauge reads a pressure or a drop of pressure.
func (r *reader) gauge(key, text, fallback string) float64 {
	q := r.quantity(key, text, fallback, quantity.Pressure)
	if q.Unit.Absolute {
		r.fail(key, fmt.Errorf("%q is absolute, but a gauge pressure is wanted here, like \"100 psi\"", text))
	}
	return q.Value * q.Unit.Scale
}

func (r *reader) absolute(key, text, fallback string) float64 {
	q := r.quantity(key, text, fallback, quantity.Pressure)
	if q.Unit.Symbol != "" && !q.Unit.Absolute {
		r.fail(key, fmt.Errorf("%q is gauge, but an absolute pressure is wanted here, like \"98.8 kPa(a)\"", text))
	}
	return q.SI()
}

func (r *reader) flow(key, text string) float64 {
	q := r.quantity(key, text, "", quantity.Flow)
	if q.Unit.Basis != quantity.FreeAir {
		r.fail(key, fmt.Errorf("%q has a reference condition; flows are free air at the inlet here, like \"185 cfm\"", text))
	}
	if q.Unit.Symbol == "" {
		return 0
	}
	return q.SI()
}

func (r *reader) duration(key, text, fallback string) time.Duration {
	s := r.si(key, text, fallback, quantity.Duration)
	if s < 0 || s > 1e8 {
		r.fail(key, fmt.Errorf("%q is not a time from zero to three years", text))
		return 0
	}
	return time.Duration(s*1e9 + 0.5)
}

func (r *reader) moment(key, text string) Moment {
	m, err := ParseMoment(text)
	if err != nil {
		r.fail(key, err)
	}
	return m
}

func (r *reader) windows(key string, texts []string) []Window {
	windows := make([]Window, 0, len(texts))
	for _, t := range texts {
		w, err := ParseWindow(t)
		if err != nil {
			r.fail(key, err)
			continue
		}
		windows = append(windows, w)
	}
	return windows
}

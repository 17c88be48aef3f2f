package fleet

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"loadscribe/simulator"
)

// Size is how much a shop's devices say.
type Size struct {
	Name     string // "12": channels of the site
	Channels int
	Scenario string
	Edit     func(*simulator.Scenario)
	keep     map[string][]string // by layout: the channels that its register map keeps
}

// The channels that a small machine's controller and meter have, and those that a
// larger one's have beside them.
var (
	fewController  = []string{"discharge_pressure", "sump_pressure", "receiver_pressure", "discharge_temperature", "run_hours", "start_count", "motor_running", "loaded"}
	fewMeter       = []string{"power", "energy", "voltage_ab", "line_current"}
	moreController = []string{"ambient_temperature", "aftercooler_temperature", "motor_current", "loaded_hours", "load_command"}
	moreMeter      = []string{"voltage_bc", "voltage_ca", "power_factor"}
)

// Small is a shop with one machine: a controller of 8 channels and a meter of 4.
func Small() Size {
	return Size{Name: "12", Channels: 12, Scenario: "joinery",
		keep: map[string][]string{"screw-controller": fewController, "power-meter": fewMeter}}
}

// Large is a shop with two machines: controllers of 13 channels and meters of 7.
func Large() Size {
	return Size{Name: "40", Channels: 40, Scenario: "biased-sensors",
		Edit: func(s *simulator.Scenario) {
			s.Devices = slices.DeleteFunc(s.Devices, func(d simulator.Device) bool { return d.Layout == "air-module" })
		},
		keep: map[string][]string{"screw-controller": slices.Concat(fewController, moreController), "power-meter": slices.Concat(fewMeter, moreMeter)}}
}

// thin leaves in the register maps of a site's folder the channels that are kept.
func (z Size) thin(dir string) error {
	for layout, names := range z.keep {
		path := filepath.Join(dir, "maps", layout+".toml")
		text, err := os.ReadFile(path)
		if err != nil {
			return fmt.Errorf("thin a register map: %w", err)
		}
		parts := bytes.Split(text, []byte("\n[[channel]]\n"))
		kept, found := parts[:1], 0
		for _, part := range parts[1:] {
			var channel struct{ Name string }
			if err := toml.Unmarshal(part, &channel); err != nil {
				return fmt.Errorf("thin %s: %w", path, err)
			}
			if slices.Contains(names, channel.Name) {
				kept = append(kept, part)
				found++
			}
		}
		if found != len(names) {
			return fmt.Errorf("thin %s: %d of the channels %s are there", path, found, strings.Join(names, ", "))
		}
		if err := os.WriteFile(path, bytes.Join(kept, []byte("\n[[channel]]\n")), 0o644); err != nil {
			return fmt.Errorf("thin a register map: %w", err)
		}
	}
	return nil
}

// Towns are n invented places; each is a label of a site.
func Towns(n int) []string {
	var towns []string
	for _, end := range []string{"imoor", "ossle", "etter", "underly", "axby", "olwick"} {
		for _, begin := range []string{"Orr", "Vess", "Quarl", "Tamb", "Dusk", "Holl", "Brack", "Wend", "Yarl", "Pell"} {
			if len(towns) < n {
				towns = append(towns, strings.ToLower(begin+end))
			}
		}
	}
	return towns
}

// Monday is when the story of a shop begins where nothing else is said: a working day
// at seven in the morning of the shops' time.
func Monday() time.Time {
	place, err := time.LoadLocation("America/Chicago")
	if err != nil {
		place = time.UTC
	}
	return simulator.BenchStart(place).Add(7 * time.Hour)
}

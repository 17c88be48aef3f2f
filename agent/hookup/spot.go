package hookup

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"loadscribe/agent/analysis"
)

// Spot is what a person read with an instrument of their own, in SI.
type Spot struct {
	Machine    string    `json:"machine"`
	When       string    `json:"when"`       // as_found or as_left
	Step       Step      `json:"step"`       // what the machine did: unloaded or loaded
	Who        string    `json:"who"`        // who read it
	Instrument string    `json:"instrument"` // make no secret of what it was read with
	CurrentA   []float64 `json:"current_a"`  // one, or one a phase
	VoltageV   []float64 `json:"voltage_v"`  // one, or line to line
	PowerW     *float64  `json:"power_w"`    // null: not read
	// PowerAccuracy is the instrument's limit as a share of the reading; 0: 2 %.
	PowerAccuracy float64 `json:"power_accuracy"`
}

// assumedAccuracy is a clamp power meter's limit where none is given: common
// practice, no source.
const assumedAccuracy = 0.02

// Check refuses what cannot be meant. The error wraps ErrRefused.
func (s *Spot) Check() error {
	refuse := func(field, why string) error { return fmt.Errorf("%w: %s: %s", ErrRefused, field, why) }
	switch {
	case s.When != "as_found" && s.When != "as_left":
		return refuse("when", "write as_found (before anything was changed) or as_left")
	case s.Step != Unloaded && s.Step != Loaded:
		return refuse("step", "write unloaded or loaded: what the machine did")
	case strings.TrimSpace(s.Who) == "" || strings.TrimSpace(s.Instrument) == "":
		return refuse("who, instrument", "say who read it, and with what")
	case len(s.Who) > 200 || len(s.Instrument) > 200:
		return refuse("who, instrument", "longer than 200 bytes")
	case len(s.CurrentA) != 0 && len(s.CurrentA) != 1 && len(s.CurrentA) != 3:
		return refuse("current_a", "give one value or three")
	case len(s.VoltageV) != 0 && len(s.VoltageV) != 1 && len(s.VoltageV) != 3:
		return refuse("voltage_v", "give one value or three")
	case len(s.CurrentA) == 0 && len(s.VoltageV) == 0 && s.PowerW == nil:
		return refuse("current_a", "there is no reading in it")
	case s.PowerAccuracy < 0 || s.PowerAccuracy > 0.5:
		return refuse("power_accuracy", "is a share of the reading, such as 0.02")
	}
	for _, v := range append(append([]float64{}, s.CurrentA...), s.VoltageV...) {
		if !(v >= 0) || v > 1e5 {
			return refuse("current_a, voltage_v", fmt.Sprintf("%g is not from 0 to 100000", v))
		}
	}
	if s.PowerW != nil && !(math.Abs(*s.PowerW) < 1e8) {
		return refuse("power_w", "is not a power in watts")
	}
	return nil
}

// Data is the reading as an event keeps it; Text one sentence for people.
func (s *Spot) Data() map[string]string {
	d := map[string]string{"when": s.When, "step": string(s.Step), "who": s.Who, "instrument": s.Instrument}
	put := func(key string, list []float64) {
		texts := make([]string, len(list))
		for i, v := range list {
			texts[i] = number(v)
		}
		if len(texts) > 0 {
			d[key] = strings.Join(texts, " ")
		}
	}
	put("current_a", s.CurrentA)
	put("voltage_v", s.VoltageV)
	if s.PowerW != nil {
		d["power_w"] = number(*s.PowerW)
		d["power_accuracy"] = number(s.accuracy())
	}
	return d
}

// Text says the reading in one sentence.
func (s *Spot) Text() string {
	text := fmt.Sprintf("%s, %s, by %s with %s:", strings.ReplaceAll(s.When, "_", " "), s.Step, s.Who, s.Instrument)
	for _, part := range []struct {
		key, unit string
	}{{"current_a", "A"}, {"voltage_v", "V"}, {"power_w", "W"}} {
		if v := s.Data()[part.key]; v != "" {
			text += " " + v + " " + part.unit
		}
	}
	return text
}

func (s *Spot) accuracy() float64 {
	if s.PowerAccuracy == 0 {
		return assumedAccuracy
	}
	return s.PowerAccuracy
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', 8, 64) }

// Point turns a spot reading into a point of the calibration: its power, and
// the logged current of the same step where the walk has one, else the mean of
// the clamp meter's. ok is false where power or current is missing.
func (s *Spot) Point(logged Reading, haveLogged bool) (p analysis.Point, source string, ok bool) {
	if s.PowerW == nil {
		return analysis.Point{}, "", false
	}
	// A limit of error is taken as rectangular (GUM 4.3.7).
	p.PowerW, p.UPowerW = *s.PowerW, math.Abs(*s.PowerW)*s.accuracy()/math.Sqrt(3)
	if haveLogged && logged.Samples > 0 {
		p.CurrentA, p.UCurrentA = logged.Mean, logged.SD/math.Sqrt(float64(logged.Samples))
		return p, "logged motor_current", true
	}
	if len(s.CurrentA) == 0 {
		return analysis.Point{}, "", false
	}
	for _, v := range s.CurrentA {
		p.CurrentA += v / float64(len(s.CurrentA))
	}
	return p, "spot current", true
}

// Calibration is what two points give, as an event keeps it: power in W from
// current in A. It is kept for the analysis, which may use it where a machine
// has a current and no power.
func Calibration(unloaded, loaded analysis.Point, source string) (data map[string]string, text string, err error) {
	a, b, u, err := analysis.PowerFromCurrent(unloaded, loaded)
	if err != nil {
		return nil, "", err
	}
	data = map[string]string{
		"a_w": number(a), "b_w_per_a": number(b), "current": source,
		"unloaded_a": number(unloaded.CurrentA), "unloaded_w": number(unloaded.PowerW),
		"unloaded_u_a": number(unloaded.UCurrentA), "unloaded_u_w": number(unloaded.UPowerW),
		"loaded_a": number(loaded.CurrentA), "loaded_w": number(loaded.PowerW),
		"loaded_u_a": number(loaded.UCurrentA), "loaded_u_w": number(loaded.UPowerW),
	}
	middle := (unloaded.CurrentA + loaded.CurrentA) / 2
	text = fmt.Sprintf("power = %.4g kW + %.4g kW/A × current (%s); standard uncertainty %.2g kW unloaded, %.2g kW between, %.2g kW loaded",
		a/1e3, b/1e3, source, u(unloaded.CurrentA)/1e3, u(middle)/1e3, u(loaded.CurrentA)/1e3)
	return data, text, nil
}

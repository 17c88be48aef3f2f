package replay

import "fmt"

// Query is what is asked.
type Query struct {
	System              string // empty: the site's only one
	FromMS, ToMS, NowMS int64  // Unix ms UTC, half open
	Alternatives        []Alternative
	Search              *SearchSpec // nil: nothing is searched
	// Machines may stand in for those there are; nil: the examples of
	// configs/replay/machines.toml.
	Machines []Listed
	// Trace asks for the pressure and the states at each event.
	Trace bool
	// Progress is told how many plays of how many are done, one call at a time;
	// nil: nobody asks.
	Progress func(done, total int)
}

// RequestError is something wrong with a question; the message says how to mend
// it. Field is a setting's key, or "system", "from" and the like.
type RequestError struct{ Field, Message string }

// Error is the field and what is wrong with it.
func (e *RequestError) Error() string { return e.Field + ": " + e.Message }

func refuse(field, format string, args ...any) error {
	return &RequestError{field, fmt.Sprintf(format, args...)}
}

// Listed is a machine of a list, which may stand in for one there is. Nobody
// makes it: the list is of invented examples, or the user's own.
type Listed struct {
	ID              string  `json:"id"`
	About           string  `json:"about"`
	Control         string  `json:"control"`
	RatedFlowM3S    float64 `json:"rated_flow_m3s"`
	RatedPressurePa float64 `json:"rated_pressure_pa"` // gauge
	RatedPowerW     float64 `json:"rated_power_w"`     // package input at rated flow and pressure
	LeastShare      float64 `json:"least_share,omitempty"`
	UnloadedShare   float64 `json:"unloaded_share,omitempty"` // of the rated power; 0: the handbook's
	MotorPowerW     float64 `json:"motor_power_w,omitempty"`
	StartsPerHour   float64 `json:"starts_per_hour,omitempty"`
}

package quantity

// Dimension is what a unit measures.
type Dimension uint8

// The dimensions, each with the SI unit its values have inside the program.
const (
	Plain          Dimension = iota // "1": a plain number, a code or a bit
	Pressure                        // Pa, gauge or absolute by Unit.Absolute
	Flow                            // m³/s, by Unit.Basis
	Power                           // W
	Energy                          // J
	Temperature                     // K
	Duration                        // s
	Volume                          // m³
	Length                          // m
	Current                         // A
	Voltage                         // V
	Frequency                       // Hz
	RotationSpeed                   // revolutions a second; "rpm"
	Ratio                           // 0-1; "%"
	Mass                            // kg
	EmissionFactor                  // kg/J; "kg/kWh"
	ApparentPower                   // V·A; "kVA"
	numDimensions
)

// FlowBasis says what one cubic metre of a flow means.
type FlowBasis uint8

// The flow bases.
const (
	FreeAir  FlowBasis = iota // at inlet conditions (cfm, acfm, m³/min, l/s)
	Standard                  // dry, in the condition that the site names (scfm)
	Normal                    // dry, 101.325 kPa and 0 °C (Nm³)
	ANR                       // ISO 8778: 100 kPa, 20 °C, 65 %
)

// Unit converts between a written unit and SI: SI = value·Scale + Offset.
type Unit struct {
	Symbol    string
	Dimension Dimension
	Scale     float64
	Offset    float64
	Absolute  bool      // pressures only
	Basis     FlowBasis // flows only
}

// ToSI converts a value in u to SI.
func (u Unit) ToSI(value float64) float64 { return float64(value*u.Scale) + u.Offset }

// FromSI converts an SI value to u.
func (u Unit) FromSI(si float64) float64 { return (si - u.Offset) / u.Scale }

// Quantity is a number with its unit as written.
type Quantity struct {
	Value float64
	Unit  Unit
}

// SI returns the quantity in SI.
func (q Quantity) SI() float64 { return q.Unit.ToSI(q.Value) }

// System is the set of units shown to people.
type System uint8

// The display systems.
const (
	SI System = iota
	US
)

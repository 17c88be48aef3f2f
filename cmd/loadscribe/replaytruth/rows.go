package replaytruth

import (
	"math"

	"loadscribe/agent/replay"
)

// The figures of an answer that are held to the truth.
const (
	Energy   = "energy"          // of the changed plant, kWh
	Saving   = "saving"          // present less changed, kWh
	Starts   = "starts"          //
	Loads    = "load cycles"     //
	Lowest   = "lowest pressure" // kPa
	PresentE = "present energy"  // replayed with the present settings, kWh
	PresentL = "present cycles"
)

// Row is one figure of one pair.
type Row struct {
	Pair   *Pair
	Figure string
	Value  float64 // NaN: not told
	U      float64 // half width of the stated interval; NaN: none stated
	Truth  float64
	Scale  float64 // what widths and misses are shares of
	Note   string
}

// Holds reports whether the stated interval holds the truth.
func (r *Row) Holds() bool { return math.Abs(r.Value-r.Truth) <= r.U+1e-9*math.Abs(r.Truth) }

// Off is how far the value is off, as a share of the scale.
func (r *Row) Off() float64 { return (r.Value - r.Truth) / r.Scale }

// Width is the stated half width as a share of the scale.
func (r *Row) Width() float64 { return r.U / r.Scale }

// Told reports whether there is a value with an interval.
func (r *Row) Told() bool { return !math.IsNaN(r.Value) && !math.IsNaN(r.U) }

// Rows gives the answer's figures beside their true values. Energies and the saving
// are shares of the energy that was truly used, counts of the true count (one at
// least), the pressure of 100 kPa.
func (p *Played) Rows() []Row {
	row := func(figure string, a replay.Amount, unit, truth, scale float64) Row {
		r := Row{Pair: &p.Pair, Figure: figure, Value: math.NaN(), U: math.NaN(), Truth: truth, Scale: scale, Note: a.Note}
		if a.Value != nil {
			r.Value = *a.Value * unit
		}
		if a.Interval != nil {
			r.U = *a.Interval * unit
		}
		return r
	}
	o, c := &p.Result.Outcome, &p.Changed
	return []Row{
		row(Energy, o.Energy, 1, c.EnergyKWh, c.EnergyKWh),
		row(Saving, p.Result.SavedKWh, 1, p.Present.EnergyKWh-c.EnergyKWh, p.Present.EnergyKWh),
		row(Starts, o.Starts, 1, float64(c.Starts), max(1, float64(c.Starts))),
		row(Loads, o.Loads, 1, float64(c.Loads), max(1, float64(c.Loads))),
		row(Lowest, o.LowestPa, 1e-3, c.LowestPa/1e3, 100),
		row(PresentE, p.Answer.Present.Energy, 1, p.Present.EnergyKWh, p.Present.EnergyKWh),
		row(PresentL, p.Answer.Present.Loads, 1, float64(p.Present.Loads), max(1, float64(p.Present.Loads))),
	}
}

// Tally sums the rows of one figure.
type Tally struct {
	Told, Held int
	Bias       float64 // mean of Off
	RMS        float64 // of Off
	Width      float64 // mean of Width
	Within     int     // rows whose Off is within the limit asked for
}

// TallyOf sums the rows that take says yes to.
func TallyOf(rows []Row, limit float64, take func(*Row) bool) Tally {
	var t Tally
	for i := range rows {
		r := &rows[i]
		if !take(r) || !r.Told() {
			continue
		}
		t.Told++
		if r.Holds() {
			t.Held++
		}
		if math.Abs(r.Off()) <= limit {
			t.Within++
		}
		t.Bias += r.Off()
		t.RMS += r.Off() * r.Off()
		t.Width += r.Width()
	}
	if n := float64(t.Told); n > 0 {
		t.Bias, t.RMS, t.Width = t.Bias/n, math.Sqrt(t.RMS/n), t.Width/n
	}
	return t
}

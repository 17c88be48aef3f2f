package dashboard

import (
	"math"
	"slices"
	"strconv"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// maxCells bounds what one request for series may ask for, in either layout.
const maxCells = 640_000

// columnsAnswer is the API's ColumnsAnswer: what a chart draws, in a fifth of the
// bytes of cells.
type columnsAnswer struct {
	From   agent.Stamp    `json:"from"`
	To     agent.Stamp    `json:"to"`
	Series []columnSeries `json:"series"`
	States []stateBand    `json:"states,omitempty"`
}

// columnSeries is one channel. Element i of each list is the cell that begins at
// start_ms + i·step_ms; null where there is no number. Where step_ms is 0, each
// element is a reading, at start_ms + at[i], and min and max are left out.
type columnSeries struct {
	Channel string  `json:"channel"`
	Unit    string  `json:"unit"`
	StartMS int64   `json:"start_ms"`
	StepMS  int64   `json:"step_ms"`
	At      []int64 `json:"at,omitempty"`
	// Count is 0 in a gap; null where no reading fell into the cell although the
	// channel was read, more slowly.
	Count counts  `json:"count"`
	Min   numbers `json:"min,omitempty"`
	Max   numbers `json:"max,omitempty"`
	Mean  numbers `json:"mean"`
	// RawDropped: the cells are wider than asked for, raw readings being gone.
	RawDropped bool `json:"raw_dropped,omitempty"`
}

// stateBand is what a machine did. Where step_ms is above 0, each run is what it
// did most of, in each part that wide.
type stateBand struct {
	Machine string           `json:"machine"`
	StepMS  int64            `json:"step_ms"`
	Runs    []agent.StateRun `json:"runs"`
}

// numbers are written without the noise of the last binary places; what JSON
// cannot say is null.
type numbers []float64

// MarshalJSON implements json.Marshaler.
func (n numbers) MarshalJSON() ([]byte, error) {
	b := make([]byte, 0, 2+8*len(n))
	b = append(b, '[')
	for i, v := range n {
		if i > 0 {
			b = append(b, ',')
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			b = append(b, "null"...)
			continue
		}
		b = strconv.AppendFloat(b, v, 'g', decimalFigures, 64)
	}
	return append(b, ']'), nil
}

// noCount stands for null.
const noCount = -1

type counts []int64

// MarshalJSON implements json.Marshaler.
func (c counts) MarshalJSON() ([]byte, error) {
	b := make([]byte, 0, 2+3*len(c))
	b = append(b, '[')
	for i, v := range c {
		if i > 0 {
			b = append(b, ',')
		}
		if v == noCount {
			b = append(b, "null"...)
			continue
		}
		b = strconv.AppendInt(b, v, 10)
	}
	return append(b, ']'), nil
}

func (s *Server) columns(channels []*scan.Channel, machines []string, fromMS, toMS int64, points int) (any, *apiError) {
	a := columnsAnswer{From: agent.Stamp(fromMS), To: agent.Stamp(toMS), Series: []columnSeries{}}
	for _, c := range channels {
		found, err := s.backend.Series(c.ID(), fromMS, toMS, points)
		if err != nil {
			return nil, unavailable("series of %s: %v", c.ID(), err)
		}
		a.Series = append(a.Series, columnsOf(c, &found))
	}
	for _, m := range machines {
		runs, stepMS, err := s.backend.StateBand(m, fromMS, toMS, points)
		if err != nil {
			return nil, unavailable("states of %s: %v", m, err)
		}
		a.States = append(a.States, stateBand{m, stepMS, append([]agent.StateRun{}, runs...)})
	}
	return a, nil
}

func columnsOf(c *scan.Channel, found *store.Series) columnSeries {
	out := columnSeries{Channel: c.ID(), Unit: c.Unit, StepMS: found.StepMS, RawDropped: found.RawDropped, Count: counts{}, Mean: numbers{}}
	if len(found.Cells) == 0 {
		return out
	}
	out.StartMS = found.Cells[0].StartMS
	if found.StepMS == 0 {
		out.readings(found.Cells)
		return out
	}
	last := found.Cells[len(found.Cells)-1].StartMS
	n := int((last-out.StartMS)/found.StepMS) + 1
	out.Count, out.Min, out.Max, out.Mean = slices.Repeat(counts{noCount}, n), nothing(n), nothing(n), nothing(n)
	round := meanRounding(c)
	for i := range found.Cells {
		cell := &found.Cells[i]
		at := (cell.StartMS - out.StartMS) / found.StepMS
		if out.Count[at] = cell.Count; cell.Count > 0 {
			out.Min[at], out.Max[at], out.Mean[at] = cell.Min, cell.Max, round(cell.Sum/float64(cell.Count))
		}
	}
	return out
}

// readings puts each reading by itself; of several of one millisecond the last.
func (out *columnSeries) readings(cells []store.Cell) {
	for i := range cells {
		cell := &cells[i]
		if n := len(out.At); n > 0 && out.StartMS+out.At[n-1] == cell.StartMS {
			out.At, out.Count, out.Mean = out.At[:n-1], out.Count[:n-1], out.Mean[:n-1]
		}
		value := math.NaN()
		if cell.Count > 0 {
			value = cell.Last
		}
		out.At, out.Count, out.Mean = append(out.At, cell.StartMS-out.StartMS), append(out.Count, cell.Count), append(out.Mean, value)
	}
}

func nothing(n int) numbers { return slices.Repeat(numbers{math.NaN()}, n) }

// meanRounding keeps a mean to a thousandth of the channel's least difference,
// which no drawing shows; of floats, which have none, to nine figures.
func meanRounding(c *scan.Channel) func(float64) float64 {
	if c.Kind == scan.KindFloat32 || c.Kind == scan.KindFloat64 || !(c.Scale > 0) {
		return func(v float64) float64 { return figures(v, 9) }
	}
	places := math.Max(0, 3-math.Floor(math.Log10(c.Scale)))
	if places > 12 {
		return func(v float64) float64 { return v }
	}
	unit := math.Pow(10, places)
	return func(v float64) float64 { return math.Round(v*unit) / unit }
}

// figures rounds to n significant decimal figures.
func figures(v float64, n int) float64 {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'e', n-1, 64), 64)
	if err != nil {
		return v // beyond all floats
	}
	return rounded
}

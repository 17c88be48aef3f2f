package airtruth

import "cmp"

// Tally counts the rows of one figure.
type Tally struct {
	Name            string
	Counted, Held   int
	Width           float64 // mean stated uncertainty over the truth
	Absent          int
	Worst           string  // scenario in which the fewest intervals held, or of these the widest
	WorstShare      float64 // that held in it
	WorstWidth      float64 // mean in it
	WidestScenario  string
	WidestMeanWidth float64
}

// Share is the share of the intervals that held.
func (t *Tally) Share() float64 { return ratio(float64(t.Held), float64(t.Counted)) }

// TallyOf counts the rows of a figure that take says yes to.
func TallyOf(rows []Row, name string, take func(*Row) bool) Tally {
	t := Tally{Name: name, WorstShare: 2}
	type scenario struct {
		name          string
		counted, held int
		width         float64
	}
	var all []scenario
	at := map[string]int{}
	for i := range rows {
		r := &rows[i]
		if r.Name != name || !take(r) {
			continue
		}
		if r.Absent != "" {
			t.Absent++
		}
		if !r.Counts() {
			continue
		}
		k, ok := at[r.Run.Scenario]
		if !ok {
			k = len(all)
			at[r.Run.Scenario] = k
			all = append(all, scenario{name: r.Run.Scenario})
		}
		s := &all[k]
		s.counted++
		s.width += r.Width()
		t.Counted++
		t.Width += r.Width()
		if r.Holds() {
			t.Held++
			s.held++
		}
	}
	t.Width = ratio(t.Width, float64(t.Counted))
	for _, s := range all {
		share, width := float64(s.held)/float64(s.counted), s.width/float64(s.counted)
		if order := cmp.Compare(share, t.WorstShare); order < 0 || order == 0 && width > t.WorstWidth {
			t.Worst, t.WorstShare, t.WorstWidth = s.name, share, width
		}
		if width > t.WidestMeanWidth {
			t.WidestScenario, t.WidestMeanWidth = s.name, width
		}
	}
	return t
}

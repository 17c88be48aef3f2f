package report

import "testing"

// TestNoYearOfADay: where the answer's page tells no year, no finding has a sum for one.
func TestNoYearOfADay(t *testing.T) {
	d := shopWeek(t)
	put(d, "main", "leak_share", 0.3, 0.01)
	sum := func() (e *Effect) {
		b := built(d)
		b.ask()
		for _, f := range b.doc.Findings {
			if f.Rule == "leaks" {
				return f.Effect
			}
		}
		t.Fatal("no finding of leaks")
		return nil
	}
	if e := sum(); e == nil || e.Money.Value != 450 {
		t.Errorf("of a week half of the leaks' 900 USD is told, got %+v", e)
	}
	d.ToMS = d.FromMS + 86_400_000
	if e := sum(); e != nil {
		t.Errorf("of a day %+v a year is told", e)
	}
}

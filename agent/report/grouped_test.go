package report

import (
	"testing"

	"loadscribe/agent/quantity"
)

func TestGrouped(t *testing.T) {
	for _, tt := range []struct {
		text  string
		units quantity.System
		want  string
	}{
		{"13400000", quantity.US, "13,400,000"},
		{"13400000", quantity.SI, "13\u00a0400\u00a0000"},
		{"at least 13540.25", quantity.US, "at least 13,540.25"},
		{"-58000", quantity.SI, "-58\u00a0000"},
		{"1159", quantity.US, "1159"},
		{"0.1234567", quantity.US, "0.1234567"},
		{"0 to 120000", quantity.US, "0 to 120,000"},
		{"1234 h 59 min", quantity.US, "1234 h 59 min"},
		{"under 0.0001", quantity.SI, "under 0.0001"},
		{"", quantity.US, ""},
	} {
		got := Grouped(tt.text, tt.units)
		if got != tt.want {
			t.Errorf("%q: %q, want %q", tt.text, got, tt.want)
		}
		if again := Grouped(got, tt.units); again != got {
			t.Errorf("%q grouped twice is %q", got, again)
		}
	}
}

// TestNumbersAreGrouped: a document's numbers are, its words are not.
func TestNumbersAreGrouped(t *testing.T) {
	d := shopWeek(t)
	d.Site.Name = "Yard 1234567"
	doc := Build(Made{}, d)
	b := &builder{data: d, doc: doc}
	says(t, plainText(t, b, doc.Sections), "Electricity a year: 60,000 ± 600 kWh", "Yard 1234567", "not: 60000")
}

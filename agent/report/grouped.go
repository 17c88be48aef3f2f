package report

import (
	"strings"

	"loadscribe/agent/chart"
	"loadscribe/agent/quantity"
)

// groupNumbers groups the digits of every number of a document, in one place, so that
// no part has to. Words are left as they are.
func groupNumbers(doc *Document, units quantity.System) {
	for i := range doc.Sections {
		groupBlocks(doc.Sections[i].Blocks, units)
	}
	for i := range doc.Findings {
		f := &doc.Findings[i]
		groupTexts(f.Evidence, units)
		groupTexts([]Text{f.Advice}, units)
	}
}

func groupBlocks(all []Block, units quantity.System) {
	for i := range all {
		k := &all[i]
		groupTexts([]Text{k.Text}, units)
		groupTexts(k.List, units)
		for _, f := range k.Facts {
			groupTexts([]Text{f.Is}, units)
		}
		if k.Table != nil {
			for _, row := range k.Table.Rows {
				groupTexts(row, units)
			}
			groupTexts(k.Table.Notes, units)
		}
		if k.Box != nil {
			groupBlocks(k.Box.Blocks, units)
		}
		if k.Chart != nil {
			groupChart(k.Chart, units)
		}
	}
}

func groupChart(c *chart.Chart, units quantity.System) {
	c.Group = groupMark(units)
	if c.Bars != nil {
		for i := range c.Bars.Bars {
			c.Bars.Bars[i].Label = Grouped(c.Bars.Bars[i].Label, units)
		}
	}
}

func groupTexts(all []Text, units quantity.System) {
	for _, t := range all {
		for i := range t {
			if t[i].At != "" {
				t[i].Text = Grouped(t[i].Text, units)
			}
		}
	}
}

// leastGrouped is from how many digits on a whole number is grouped: four are read at a
// glance.
const leastGrouped = 5

func groupMark(units quantity.System) string {
	if units == quantity.US {
		return ","
	}
	return "\u00a0"
}

// Grouped sets the digits of a number apart by threes, from five before the point on:
// by commas where units are US, else by a space that does not break (ISO 80000-1, from
// memory). Of a text that is grouped already nothing changes.
func Grouped(text string, units quantity.System) string {
	mark := groupMark(units)
	var out strings.Builder
	for i := 0; i < len(text); {
		if !digit(text[i]) {
			out.WriteByte(text[i])
			i++
			continue
		}
		end := i
		for end < len(text) && digit(text[end]) {
			end++
		}
		whole := text[i:end]
		if len(whole) < leastGrouped || i > 0 && text[i-1] == '.' { // what follows a point is no whole number
			out.WriteString(whole)
		} else {
			for k := range len(whole) {
				if k > 0 && (len(whole)-k)%3 == 0 {
					out.WriteString(mark)
				}
				out.WriteByte(whole[k])
			}
		}
		i = end
	}
	return out.String()
}

func digit(c byte) bool { return c >= '0' && c <= '9' }

package main

import (
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"
)

// row is one figure.
type row struct {
	figure         string
	value          float64
	missing        string // why there is no value; empty: there is one
	unit           string
	goal           float64 // the value should not exceed it; 0: none
	reference      string  // what it is compared with; empty: nothing
	referenceValue float64
	noReference    string // why the reference has no value; empty: it has
	note           string // for people
}

// columns are the names of the fields of a row, a contract.
const columns = "figure\tvalue\tunit\tgoal\treference\treference_value"

func (r row) fields() []string {
	value, goal, reference := number(r.value), "", ""
	if r.missing != "" {
		value = r.missing
	}
	if r.goal != 0 {
		goal = number(r.goal)
	}
	if r.reference != "" {
		reference = number(r.referenceValue)
	}
	if r.noReference != "" {
		reference = r.noReference
	}
	return []string{r.figure, value, r.unit, goal, r.reference, reference}
}

// number writes v with four significant digits or all before the point,
// without an exponent.
func number(v float64) string {
	if v == 0 || math.IsInf(v, 0) || math.IsNaN(v) {
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	decimals := max(0, 3-int(math.Floor(math.Log10(math.Abs(v)))))
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

// writeTSV writes a head line and a line a row.
func writeTSV(w io.Writer, rows []row) error {
	var text strings.Builder
	text.WriteString(columns + "\n")
	for _, r := range rows {
		text.WriteString(strings.Join(r.fields(), "\t") + "\n")
	}
	_, err := io.WriteString(w, text.String())
	return err
}

func writeFile(path string, rows []row) error {
	var text strings.Builder
	if err := writeTSV(&text, rows); err != nil {
		return err
	}
	if err := os.WriteFile(path, []byte(text.String()), 0o644); err != nil {
		return fmt.Errorf("write the figures: %w; give -out a path that can be written", err)
	}
	return nil
}

// writeTable writes rows for people: aligned, the notes below.
func writeTable(w io.Writer, rows []row) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, strings.ReplaceAll(columns, "_", " "))
	for _, r := range rows {
		f := r.fields()
		if r.goal != 0 {
			f[3] = "≤ " + f[3]
		}
		fmt.Fprintln(t, strings.Join(f, "\t"))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, r := range rows {
		if r.note == "" {
			continue
		}
		if _, err := fmt.Fprintf(w, "%s: %s\n", r.figure, r.note); err != nil {
			return err
		}
	}
	return nil
}

package print

import (
	"reflect"

	"loadscribe/agent/chart"
	"loadscribe/agent/report"
)

// lacksLetters reports a document with letters in what is printed of it that the fonts
// do not have.
func lacksLetters(doc *report.Document) bool {
	return lacks(reflect.ValueOf(doc.Title)) || lacks(reflect.ValueOf(doc.Sections))
}

func lacks(v reflect.Value) bool {
	switch v.Kind() {
	case reflect.String:
		return lacksOne(v.String())
	case reflect.Pointer:
		return !v.IsNil() && lacks(v.Elem())
	case reflect.Struct:
		for i := range v.NumField() {
			if lacks(v.Field(i)) {
				return true
			}
		}
	case reflect.Slice:
		if v.Type().Elem().Kind() == reflect.Float64 {
			return false // a picture's many points
		}
		for i := range v.Len() {
			if lacks(v.Index(i)) {
				return true
			}
		}
	}
	return false
}

// lacksOne leaves alone a box that the text itself has.
func lacksOne(text string) bool {
	boxes := func(s string) (n int) {
		for _, r := range s {
			if r == chart.Lacking {
				n++
			}
		}
		return n
	}
	return boxes(chart.Shown(text)) > boxes(text)
}

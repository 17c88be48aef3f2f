package report

import (
	"slices"
	"strings"
)

// figuresOf names figures and whose they are, each name once.
type figuresOf struct {
	names    []string
	subjects map[string][]string // by name
}

func (f *figuresOf) add(name, subject string) {
	if f.subjects == nil {
		f.subjects = map[string][]string{}
	}
	if _, known := f.subjects[name]; !known {
		f.names = append(f.names, name)
	}
	f.subjects[name] = append(f.subjects[name], subject)
}

// words are all of them: "storage and leaks of main", or where they are of unlike
// subjects "storage of main; energy of comp1 and main". all leaves none out.
func (f *figuresOf) words(all bool) string {
	list := listed
	if all {
		list = func(names []string) string { return strings.Join(names, ", ") }
	}
	first := f.subjects[f.names[0]]
	if !slices.ContainsFunc(f.names, func(n string) bool { return !slices.Equal(f.subjects[n], first) }) {
		return list(f.names) + " of " + listed(first)
	}
	var parts []string
	for _, n := range f.names {
		parts = append(parts, n+" of "+listed(f.subjects[n]))
	}
	return strings.Join(parts, "; ")
}

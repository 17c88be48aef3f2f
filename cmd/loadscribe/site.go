package main

import (
	"errors"
	"slices"

	"loadscribe/agent/sitefile"
)

// loadSite reads a site file; options override what it says.
func loadSite(path string, options sitefile.Options) (*sitefile.Site, error) {
	site, err := sitefile.Load(path, options)
	var problems sitefile.Problems
	if errors.As(err, &problems) && slices.ContainsFunc(problems, func(p sitefile.Problem) bool { return p.File == sitefile.ListenOption }) {
		return nil, misuse{err}
	}
	return site, err
}

package main

import (
	"errors"
	"slices"

	"loadscribe/agent/sitefile"
)

// siteFlags are those of every command that works on a site's data directory.
type siteFlags struct {
	Site string `required:"" help:"The site file." placeholder:"FILE"`
	Data string `help:"Data directory, instead of the site file's." placeholder:"DIR"`
}

func (f *siteFlags) load() (*sitefile.Site, error) {
	return loadSite(f.Site, sitefile.Options{Data: f.Data})
}

// windowFlags are those of every command that answers for a window of time.
type windowFlags struct {
	From string `default:"-7d" help:"Begin: RFC 3339, a local date, now, or an age such as -7d; of a stopped agent, now is its last reading; default -7d." placeholder:"TIME"`
	To   string `default:"now" help:"End, not included; a date includes that day; default now." placeholder:"TIME"`
}

func (f *windowFlags) window() window { return window{f.From, f.To} }

// loadSite reads a site file; options override what it says.
func loadSite(path string, options sitefile.Options) (*sitefile.Site, error) {
	site, err := sitefile.Load(path, options)
	var problems sitefile.Problems
	if errors.As(err, &problems) && slices.ContainsFunc(problems, func(p sitefile.Problem) bool { return p.File == sitefile.ListenOption }) {
		return nil, misuse{err}
	}
	return site, err
}

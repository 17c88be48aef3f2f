package intake

import (
	"errors"
	"path/filepath"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// Intake reads the files of one import. It is for one goroutine.
type Intake struct {
	site    *sitefile.Site
	groups  []*scan.Group // all of the site
	places  map[string][2]int
	owner   []*loggerPlan // of each group; nil: nothing fills it
	loggers []*loggerPlan
	sources []*source
	checked bool

	progress    func(done, total int64)
	done, total int64 // bytes
	told        int64
}

// Open finds the columns of the files and the site's channels that they fill.
// Mistakes of the mapping are sitefile.Problems, those of a file a *Mistake.
func Open(site *sitefile.Site, m *Mapping, files []File) (*Intake, error) {
	in := &Intake{site: site, groups: sitefile.Groups(site)}
	in.places = placesOf(in.groups)
	in.owner = make([]*loggerPlan, len(in.groups))
	var problems sitefile.Problems
	byName := map[string]*loggerPlan{}
	for i := range m.Loggers {
		p := in.newPlan(&m.Loggers[i], i, &problems)
		in.loggers = append(in.loggers, p)
		byName[p.Name] = p
	}
	if len(problems) > 0 {
		return nil, problems
	}
	seen := map[string]bool{}
	for _, f := range files {
		p := byName[f.Logger]
		if p == nil {
			return nil, fileMistake(f.Path, "the mapping has no logger "+shown(f.Logger), "its loggers are "+m.names())
		}
		abs, err := filepath.Abs(f.Path)
		if err != nil {
			return nil, &Mistake{File: f.Path, Message: "cannot find the working directory", Cause: err}
		}
		if seen[abs] {
			return nil, fileMistake(f.Path, "the file is given twice", "name each file once")
		}
		seen[abs] = true
		in.sources = append(in.sources, &source{logger: p, path: f.Path, order: len(in.sources)})
	}
	if len(in.sources) == 0 {
		return nil, ErrFiles
	}
	for _, s := range in.sources {
		r, err := s.open(nil)
		if err != nil {
			return nil, err
		}
		s.plan = r.plan
		if err := r.close(); err != nil {
			return nil, err
		}
	}
	return in, nil
}

// Groups returns the poll groups that the files fill, in the order of the site:
// known after Check. Their IDs are zero; the store gives them.
func (in *Intake) Groups() []*scan.Group {
	var all []*scan.Group
	for i, g := range in.groups {
		if in.owner[i] != nil {
			all = append(all, g)
		}
	}
	return all
}

var errNotChecked = errors.New("the files have not been checked")

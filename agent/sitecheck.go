package agent

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/poll"
	"loadscribe/agent/sitefile"
)

// SiteWarnings is what is likely not meant in a site that can be loaded, each at
// its line: what the files say, instruments whose calibration is over on the day
// of now, and lines that are asked for more than they can carry.
func SiteWarnings(site *sitefile.Site, now time.Time) ([]sitefile.Problem, []poll.LineLoad, error) {
	all := append([]sitefile.Problem{}, site.CalibrationWarnings(now)...)
	loads, err := poll.Predict(site)
	for _, l := range loads {
		if l.Advice != "" {
			p := sitefile.Problem{File: site.Files[0].Path, Message: l.Advice}
			p.Line, p.Col = site.LineAt(l.Line)
			all = append(all, p)
		}
	}
	return append(all, site.Warnings...), loads, err
}

// What the files on disk are worth beside those that run.
const (
	diskSame    = "same"
	diskDiffers = "differs"
	diskRefused = "refused"
)

// SiteFiles is the site file and its maps as they run, and what would happen with
// those on disk.
type SiteFiles struct {
	Checked  Stamp              `json:"checked"`
	Files    []SiteText         `json:"files"`    // as they run: the site file, then its maps
	Warnings []sitefile.Problem `json:"warnings"` // of them; file is a name of files
	Disk     DiskFiles          `json:"disk"`
}

// SiteText is a site file or register map as a page may show it.
type SiteText struct {
	Name string `json:"name"`
	Map  bool   `json:"map"`
	Hash string `json:"hash"` // hex SHA-256 of its bytes
	// Text has the values of passwords, secrets and tokens taken out.
	Text    string   `json:"text"`
	Devices []string `json:"devices"` // those whose map it is
}

// DiskFiles is what stands in the files now, as check would judge it.
type DiskFiles struct {
	// State is same, differs, or refused where the agent would not start with them.
	State    string `json:"state"`
	Sentence string `json:"sentence"`
	// Files are those whose bytes differ from what runs, and new ones.
	Files    []SiteText         `json:"files"`
	Unused   []string           `json:"unused"`   // files that run and would be used no longer
	Problems []sitefile.Problem `json:"problems"` // what must be mended before a start
	Warnings []sitefile.Problem `json:"warnings"`
	Changes  []FileChange       `json:"changes"`
}

// FileChange is a setting that differs from what runs.
type FileChange struct {
	File    string `json:"file"`
	Text    string `json:"text"`
	Affects string `json:"affects"` // which figures it may affect
}

// SiteFiles reads the site file that runs, and the maps it names, from disk again
// and compares. It opens no other file.
func (h *History) SiteFiles() (SiteFiles, error) {
	now := time.Now()
	_, wallMS := h.clock.Now()
	all := SiteFiles{Checked: Stamp(wallMS), Files: h.texts(h.site, h.site.Files)}
	warnings, _, err := SiteWarnings(h.site, now)
	if err != nil {
		return all, err
	}
	all.Warnings = named(warnings, h.site.Files)
	all.Disk, err = h.disk(now)
	return all, err
}

// disk checks the files as they stand now, as loadscribe check does.
func (h *History) disk(now time.Time) (DiskFiles, error) {
	site, files, problems := sitefile.Inspect(h.site.Path, sitefile.Options{})
	d := DiskFiles{State: diskSame, Files: []SiteText{}, Unused: []string{}, Problems: []sitefile.Problem{},
		Warnings: []sitefile.Problem{}, Changes: []FileChange{}}
	for i := range files {
		before := fileNamed(h.site.Files, files[i].Name)
		if before != nil && bytes.Equal(before.Text, files[i].Text) {
			continue
		}
		d.State = diskDiffers
		d.Files = append(d.Files, h.texts(site, files[i:i+1])...)
		d.Changes = append(d.Changes, h.fileChanges(before, &files[i])...)
	}
	if site == nil {
		whole := sitefile.File{Name: h.site.Files[0].Name, Path: h.site.Path} // it may be gone
		d.State, d.Problems = diskRefused, named(problems, append(files, whole))
		d.Sentence = fmt.Sprintf("With the files on disk loadscribe would not start: %s. What runs goes on with what it read at its start.", counted(len(problems), "mistake"))
		return d, nil
	}
	for i := range h.site.Files {
		if name := h.site.Files[i].Name; fileNamed(files, name) == nil {
			d.State, d.Unused = diskDiffers, append(d.Unused, name)
		}
	}
	warnings, _, err := SiteWarnings(site, now)
	if err != nil {
		return d, err
	}
	d.Warnings = named(warnings, files)
	d.Sentence = d.sentence()
	return d, nil
}

// sentence says what a start with the files on disk would change.
func (d *DiskFiles) sentence() string {
	switch {
	case d.State == diskSame:
		return "The files on disk are those that run."
	case len(d.Changes) == 0 && len(d.Unused) == 0:
		return "The files on disk differ from those that run in comments or layout only."
	case len(d.Changes) == 0:
		return "The files on disk name fewer maps than those that run. That holds from the next start of loadscribe on."
	}
	return fmt.Sprintf("The files on disk differ from those that run: %s. Such a change holds from the next start of loadscribe on.", counted(len(d.Changes), "setting"))
}

// counted is so many of a thing.
func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// fileChanges lists what differs from the version that runs; nil: there is none.
func (h *History) fileChanges(before, now *sitefile.File) []FileChange {
	if before == nil {
		return []FileChange{{now.Name, "new file", "what is read from the devices that name it"}}
	}
	changes, err := sitefile.Changes(before.Text, now.Text)
	if err != nil {
		return nil // it is among the problems, with its line
	}
	var all []FileChange
	for _, c := range changes {
		all = append(all, FileChange{now.Name, c.String(), h.affected(now, []sitefile.Change{c})})
	}
	return all
}

// texts are files as a page may show them. site may be nil: whose maps they are
// is then told of the site that runs.
func (h *History) texts(site *sitefile.Site, files []sitefile.File) []SiteText {
	if site == nil {
		site = h.site
	}
	all := make([]SiteText, len(files))
	for i, f := range files {
		all[i] = SiteText{Name: f.Name, Map: f.Map, Hash: f.Hash, Text: sitefile.ForPages(f.Text), Devices: []string{}}
		for k := range site.Devices {
			if f.Map && slices.Contains(strings.Split(site.Devices[k].MapPath, ", "), f.Name) {
				all[i].Devices = append(all[i].Devices, site.Devices[k].Name)
			}
		}
	}
	return all
}

func fileNamed(files []sitefile.File, name string) *sitefile.File {
	for i := range files {
		if files[i].Name == name {
			return &files[i]
		}
	}
	return nil
}

// named gives problems the names of files in place of their paths, which are
// nothing for a page. A file that could not be read keeps the name it was asked by.
func named(problems []sitefile.Problem, files []sitefile.File) []sitefile.Problem {
	all := append([]sitefile.Problem{}, problems...)
	for i := range all {
		for _, f := range files {
			if all[i].File == f.Path {
				all[i].File = f.Name
			}
			all[i].Message = strings.ReplaceAll(all[i].Message, f.Path, f.Name)
			all[i].Mend = strings.ReplaceAll(all[i].Mend, f.Path, f.Name)
		}
	}
	return all
}

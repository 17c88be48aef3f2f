package main

import (
	"fmt"
	"os"
	"path/filepath"

	"loadscribe/agent/sitefile"
)

// mayWrite refuses a file to write, which flag names, that would cost something: a file in the data
// directory, which is the agent's and may be the one that it writes; the site
// file or a map of it, without which the record cannot be read, by whatever
// name; and, without --force, any other file that is there. Empty is standard
// output.
func mayWrite(site *sitefile.Site, flag, out string, force bool) error {
	if out == "" {
		return nil
	}
	if within(site.Agent.DataDir, out) {
		return misuse{fmt.Errorf("%s %s lies in the data directory %s, whose files are the agent's own: give a file in another folder, best on another disk",
			flag, out, site.Agent.DataDir)}
	}
	// What is written has another name until it is whole.
	for _, written := range []string{out, out + partSuffix} {
		at, err := os.Stat(written)
		if err != nil {
			continue // not there, or the writing itself tells
		}
		for i := range site.Files {
			if own, err := os.Stat(site.Files[i].Path); err == nil && os.SameFile(own, at) {
				return misuse{fmt.Errorf("%s %s would write over %s, which the site rests on: give a file of another name", flag, out, site.Files[i].Path)}
			}
		}
	}
	if at, err := os.Stat(out); err == nil && at.IsDir() {
		return misuse{fmt.Errorf("%s %s is a folder: give a file in it", flag, out)}
	}
	if _, err := os.Lstat(out); err == nil && !force {
		return misuse{fmt.Errorf("%s %s is there already: give another name, or --force to put the new file in its place", flag, out)}
	}
	return nil
}

// partSuffix is what a file's name ends with until the file is whole.
const partSuffix = ".part"

// within reports whether a file is to be in dir or a folder of it, by whatever
// name.
func within(dir, file string) bool {
	home, err := os.Stat(dir)
	if err != nil {
		return false // there is nothing to write over
	}
	at, err := filepath.Abs(filepath.Dir(file))
	if err != nil {
		return false // no working directory: the writing itself tells
	}
	for {
		// Of a path that is still to be made the part that is there may be a link.
		if real, err := filepath.EvalSymlinks(at); err == nil {
			at = real
		}
		if info, err := os.Stat(at); err == nil && os.SameFile(home, info) {
			return true
		}
		up := filepath.Dir(at)
		if up == at {
			return false
		}
		at = up
	}
}

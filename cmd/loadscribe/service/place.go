package service

import (
	"fmt"
	"path"
	"strings"
)

// hiddenHomes are what ProtectHome= hides (systemd.exec(5)).
var hiddenHomes = [...]string{"/home", "/root", "/run/user"}

// inHome reports whether a path lies where people's own files are.
func inHome(p string) bool {
	for _, h := range hiddenHomes {
		if under(p, h) {
			return true
		}
	}
	return false
}

// under is below for the slash paths of a unit, on any system.
func under(p, dir string) bool {
	return p == dir || strings.HasPrefix(p, strings.TrimSuffix(dir, "/")+"/")
}

// passing are folders that a start of the computer empties, or whose like the service has of its own.
var passing = [...]string{"/tmp", "/var/tmp", "/run", "/dev", "/proc", "/sys"}

// CheckPlaces refuses a plan whose files lie where a service must not have them; the error is a Problem or of a path.
func (p *Plan) CheckPlaces() error {
	all := append([]string{p.Program, p.Site, p.Data}, p.Folders...)
	for _, f := range append(all, p.Writes...) {
		if err := checkPath(f); err != nil {
			return err
		}
		for _, t := range passing {
			if under(f, t) && !inHome(f) {
				return Problem{fmt.Sprintf("%s lies below %s, which is emptied when the computer starts", f, t),
					"move the site's folder to one that stays, such as /srv/loadscribe"}
			}
		}
	}
	for _, f := range append([]string{p.Data}, p.Writes...) {
		if f == "/" {
			return Problem{"/ is to be written by the service", "give data, backups and log folders of their own in the site file"}
		}
	}
	for _, f := range p.Folders {
		if f == "/root" || path.Dir(f) == "/home" || f == "/" {
			return Problem{fmt.Sprintf("%s lies loose in %s, all of which the service would see", p.Site, f),
				"move it with its maps into a folder of its own"}
		}
	}
	return nil
}

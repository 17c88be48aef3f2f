package main

import (
	"encoding/json"
	"fmt"
	"runtime"
	"runtime/debug"

	"loadscribe/agent/sitefile"
)

type versionCmd struct {
	Site string `help:"Also say where this site's data lives." placeholder:"FILE"`
	JSON bool   `help:"Print JSON."`
}

func (c *versionCmd) Run(s *surroundings) error {
	about := struct {
		Program string `json:"program"`
		Version string `json:"version"`
		Commit  string `json:"commit"` // empty: not known
		Go      string `json:"go"`
		System  string `json:"system"`
		Data    string `json:"data,omitempty"`
	}{"loadscribe", version, builtFrom(), runtime.Version(), runtime.GOOS + "/" + runtime.GOARCH, ""}
	if c.Site != "" {
		site, err := loadSite(c.Site, sitefile.Options{})
		if err != nil {
			return err
		}
		about.Data = site.Agent.DataDir
	}
	if c.JSON {
		return json.NewEncoder(s.stdout).Encode(about)
	}
	from := ""
	if about.Commit != "" {
		from = fmt.Sprintf("commit %.12s, ", about.Commit)
	}
	fmt.Fprintf(s.stdout, "loadscribe %s (%s%s, %s)\n", about.Version, from, about.Go, about.System)
	if about.Data != "" {
		fmt.Fprintf(s.stdout, "data: %s\n", about.Data)
	} else {
		fmt.Fprintln(s.stdout, `data: where [agent] data in the site file says, "data" beside the site file if it says nothing`)
	}
	return nil
}

// builtFrom is the commit that this program was built from: as make and releases put it
// in, else as Go saw it; empty: neither.
func builtFrom() string {
	if commit != "" {
		return commit
	}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				return s.Value
			}
		}
	}
	return ""
}

package main

import (
	"path/filepath"

	"loadscribe/agent/sitefile"
)

// loadSite reads a site file; dataDir, if given, overrides where data lives.
func loadSite(s *surroundings, path, dataDir string) (*sitefile.Site, error) {
	site, err := sitefile.Load(path, sitefile.Options{})
	if err != nil {
		return nil, err
	}
	if dataDir != "" {
		if site.Agent.DataDir, err = filepath.Abs(dataDir); err != nil {
			return nil, err
		}
	}
	return site, nil
}

package service

import "loadscribe/agent/sitefile"

// secrets are files with passwords and keys that a site file names.
func secrets(*sitefile.Site) []string { return nil }

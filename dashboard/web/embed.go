package web

import "embed"

// Dist is the folder dist with the built pages, or only placeholder.txt.
//
//go:embed all:dist
var Dist embed.FS

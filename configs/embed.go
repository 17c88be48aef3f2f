package configs

import "embed"

// Maps are the example register maps, under "maps/".
//
//go:embed maps/*.toml
var Maps embed.FS

// Machines is the list of invented machines that a replay may put in another's
// place.
//
//go:embed replay/machines.toml
var Machines []byte

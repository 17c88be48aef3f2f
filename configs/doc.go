// Package configs holds the example sites and register maps. The binary
// carries the maps, so that the demo can lay them beside its site file.
package configs

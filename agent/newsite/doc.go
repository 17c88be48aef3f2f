// Package newsite makes the first site file of a plant by help: a Draft holds
// what a person has said so far, as texts; Check writes it as the TOML of a site
// file and reads that with the very checks of a start, each mistake at the field
// that it belongs to; Write puts it on disk where nothing stands yet.
//
// It opens no line and no serial port, and reads no file but the register maps
// beside the site file to be. It does not change a site file that exists.
package newsite

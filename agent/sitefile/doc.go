// Package sitefile loads a site file and the register maps it names, checks
// them and explains every mistake with its place and its mend.
//
// Load gives a Site: lines, devices with their maps, machines with their roles
// filled, systems, shifts and tariff, everything in SI and resolved. Groups
// turns the devices into the poll groups that are polled and stored. LoadMap
// reads a register map alone. ParseTime reads the times of commands and
// queries in the site's zone; WeekWindow and Site.OffShift answer questions of
// local working time.
//
// A Site is immutable and safe for concurrent use. Reading is strict: an
// unknown key is a problem. All problems of all files are reported together
// as Problems, in the order of the files. What works but is likely not meant
// is a warning in Site.Warnings.
//
// The package opens no line, writes no file and does not watch for changes.
// The time zone data base is embedded, because Windows has none.
package sitefile

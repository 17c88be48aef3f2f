package service

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
)

// recordNames are what a data directory of loadscribe holds, one of them at least.
var recordNames = []string{"store.db", "journal", "lock"}

// checkDataEntries refuses to give a folder with other things to the service's user: dir as
// it is told, and where it is.
func checkDataEntries(dir, at string) error {
	entries, err := os.ReadDir(at)
	if errors.Is(err, fs.ErrNotExist) || err == nil && len(entries) == 0 {
		return nil
	}
	if err != nil {
		return Problem{fmt.Sprintf("the data directory %s cannot be read (%v)", dir, err), "mend [agent] data in the site file"}
	}
	if slices.ContainsFunc(entries, func(e fs.DirEntry) bool { return slices.Contains(recordNames, e.Name()) }) {
		return nil
	}
	return Problem{fmt.Sprintf("the data directory %s holds other things and no record", dir), `give it a folder of its own, like data = "data"`}
}

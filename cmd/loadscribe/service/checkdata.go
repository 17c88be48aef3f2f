package service

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// recordFiles are what a data directory of loadscribe holds, one of them at least. Folders
// of these names elsewhere, such as /var/log/journal, are none.
var recordFiles = []string{"store.db", "evidence.key"}

// backupSuffix ends the names of scheduled backups (docs/keeping-data.md).
const backupSuffix = ".loadscribe-backup"

// checkGiven refuses to give the service a folder with other things in it: all that is in
// it would be the service's. at is where a path is.
func (p *Plan) checkGiven(at func(string) string) error {
	var errs []error
	for i, dir := range append([]string{p.Data}, p.Writes...) {
		entries, err := os.ReadDir(at(dir))
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			errs = append(errs, Problem{fmt.Sprintf("%s cannot be read (%v)", dir, err), "mend its path in the site file"})
		case len(entries) == 0:
		case i == 0 && (slices.ContainsFunc(entries, isRecordFile) || !slices.ContainsFunc(entries, p.isForeign)):
		case i > 0 && !slices.ContainsFunc(entries, p.isOthers):
		default:
			errs = append(errs, Problem{fmt.Sprintf("%s is to be the service's alone, and holds other things", dir),
				"give data, backups and log folders of their own in the site file"})
		}
	}
	return errors.Join(errs...)
}

func isRecordFile(e fs.DirEntry) bool {
	return e.Type().IsRegular() && slices.Contains(recordFiles, e.Name())
}

// checkWritten refuses a plan where the service could change what it is told to do, and
// people no longer could: files of the site in a folder that is to be the service's.
func (p *Plan) checkWritten() error {
	var errs []error
	for _, dir := range append([]string{p.Data}, p.Writes...) {
		for _, f := range slices.Concat(p.Reads, p.Inside) {
			if !below(f, dir) {
				continue
			}
			what, mend := f+" as well", "move that file beside the site file, and change its path there"
			if f == p.Site {
				what, mend = "the site file as well", "give data, backups and log folders of their own in the site file"
			}
			errs = append(errs, Problem{fmt.Sprintf("%s is to be written by the service, and holds %s", dir, what), mend})
		}
	}
	return errors.Join(errs...)
}

// isForeign reports what is left neither by the log nor by a start that failed before it had a record.
func (p *Plan) isForeign(e fs.DirEntry) bool {
	logs, _, _ := strings.Cut(strings.TrimPrefix(strings.TrimPrefix(p.Log, p.Data), string(filepath.Separator)), string(filepath.Separator))
	return e.Name() != "lock" && e.Name() != windowsLogs && !(below(p.Log, p.Data) && e.Name() == logs)
}

// isOthers reports what is no backup and no log of the plan's.
func (p *Plan) isOthers(e fs.DirEntry) bool {
	name := strings.TrimSuffix(e.Name(), ".part")
	return !strings.HasSuffix(name, backupSuffix) && (p.Log == "" || !strings.HasPrefix(name, filepath.Base(p.Log)))
}

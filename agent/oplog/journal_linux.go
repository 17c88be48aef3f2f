package oplog

import (
	"fmt"
	"os"
	"syscall"
)

// ToJournal reports whether f is what systemd's journal reads: JOURNAL_STREAM, whose value
// stream is, has its device and inode (systemd.exec(5)). A standard error that was
// redirected has others.
func ToJournal(f *os.File, stream string) bool {
	info, err := f.Stat()
	if err != nil || stream == "" {
		return false
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	return ok && stream == fmt.Sprintf("%d:%d", stat.Dev, stat.Ino)
}

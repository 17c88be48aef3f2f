package store

import (
	"os"

	"golang.org/x/sys/windows"
)

// SyncDir does nothing: Windows has no sync of a directory; NTFS journals its
// metadata in order.
func (osFS) SyncDir(string) error { return nil }

func (osFS) Free(dir string) (int64, error) {
	name, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, err
	}
	var free uint64
	if err := windows.GetDiskFreeSpaceEx(name, &free, nil, nil); err != nil {
		return 0, &os.PathError{Op: "GetDiskFreeSpaceEx", Path: dir, Err: err}
	}
	return int64(min(free, 1<<62)), nil
}

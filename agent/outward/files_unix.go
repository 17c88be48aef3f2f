//go:build !windows

package outward

import (
	"errors"
	"os"
)

// SyncDir implements Files.
func (Disk) SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

//go:build !windows

package messenger

import (
	"errors"
	"os"
)

func (osFiles) SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

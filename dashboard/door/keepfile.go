package door

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// keepFile writes a file whole, readable by its owner only, and puts it in the
// place of the one before in one step.
func keepFile(dir, name string, content []byte) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("make %s: %w", dir, err)
	}
	path := filepath.Join(dir, name)
	f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	_, err = f.Write(content)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(path+".new", path)
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	if d, err := os.Open(dir); err == nil { // Windows cannot sync a folder, and needs not
		_ = d.Sync()
		d.Close()
	}
	return nil
}

// tighten takes away what others may do with the folder and its files, as a copy
// or an unpacked backup may have left it.
func tighten(dir string) error {
	info, err := os.Stat(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	var failed error
	if info.Mode().Perm()&0o077 != 0 {
		failed = os.Chmod(dir, 0o700)
	}
	for _, name := range []string{peopleFile, certificateFile, keyFile, scrapeFile} {
		path := filepath.Join(dir, name)
		if info, err := os.Lstat(path); err == nil && info.Mode().IsRegular() && info.Mode().Perm()&0o077 != 0 {
			failed = errors.Join(failed, os.Chmod(path, 0o600))
		}
	}
	return failed
}

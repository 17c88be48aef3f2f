package service

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// owned is a file with its owner and mode.
type owned struct {
	path        string // in the folder it is told of
	user, group int
	mode        fs.FileMode
}

func ownedAs(path string, info fs.FileInfo) owned {
	f := owned{path: path, mode: info.Mode()}
	if stat, ok := info.Sys().(*syscall.Stat_t); ok {
		f.user, f.group = int(stat.Uid), int(stat.Gid)
	}
	return f
}

// ownedBelow are a folder and all in it; links are told, not followed.
func ownedBelow(dir string) (all []owned, err error) {
	err = filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := entry.Info()
		if err != nil {
			return err
		}
		inside, err := filepath.Rel(dir, path)
		all = append(all, ownedAs(inside, info))
		return err
	})
	return all, err
}

// setOwners gives the files of a folder owners and modes. It works as root in a folder of an
// ordinary user, who may put a link in a file's place meanwhile: nothing outside the
// folder is reached. A file that is gone is no error.
func (s *Systemd) setOwners(dir string, all []owned) error {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	var errs []error
	for _, f := range all {
		err := s.Own(root, f.path, f.user, f.group)
		if err == nil && (f.mode.IsRegular() || f.mode.IsDir()) {
			err = root.Chmod(f.path, f.mode.Perm())
		}
		if !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	return errors.Join(append(errs, root.Close())...)
}

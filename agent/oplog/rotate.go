package oplog

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// What a file and its forerunners may take together: 25 MB.
const (
	mostBytes = 5 << 20
	keepFiles = 5
)

// openAgain is the pause after an attempt to open the file that failed.
const openAgain = time.Minute

// rotating is a file that is put aside when it is full: NAME, NAME.1 (the one before) …
// It is for one goroutine. Only the user it runs as may read it.
type rotating struct {
	path    string
	most    int64
	keep    int
	file    *os.File // nil: not open
	size    int64
	triedAt time.Time // when it last failed to open
	failed  error     // by what
}

func newRotating(path string, most int64, keep int) *rotating {
	if most <= 0 {
		most = mostBytes
	}
	if keep <= 0 {
		keep = keepFiles
	}
	return &rotating{path: path, most: most, keep: keep}
}

func (f *rotating) write(l line) error {
	if f.file == nil {
		if f.failed != nil && time.Since(f.triedAt) < openAgain {
			return f.failed
		}
		if err := f.open(os.O_APPEND); err != nil {
			return err
		}
	}
	if f.size > 0 && f.size+int64(len(l.text)) > f.most {
		if err := f.rotate(); err != nil {
			return err
		}
	}
	n, err := f.file.Write(l.text)
	f.size += int64(n)
	return err
}

// open opens the file for more, or with os.O_TRUNC for a new beginning.
func (f *rotating) open(how int) error {
	f.file, f.size, f.failed = nil, 0, nil
	f.failed = os.MkdirAll(filepath.Dir(f.path), 0o700)
	if f.failed == nil {
		f.file, f.failed = os.OpenFile(f.path, os.O_CREATE|os.O_WRONLY|how, 0o600)
	}
	if f.failed != nil {
		f.file, f.triedAt = nil, time.Now()
		return f.failed
	}
	if info, err := f.file.Stat(); err == nil {
		f.size = info.Size()
	}
	return nil
}

// rotate puts the file aside and begins another. One that cannot be renamed, since another
// program holds it (Windows), goes on to twice its size and is then begun anew: a log that
// stops is worse than one that is short, and one without bound is worst.
func (f *rotating) rotate() error {
	size := f.size
	err := f.close()
	if err == nil {
		err = f.shift()
	}
	if err != nil && size >= 2*f.most {
		return f.open(os.O_TRUNC)
	}
	return f.open(os.O_APPEND)
}

// shift renames NAME.3 to NAME.4 and so on up to NAME itself; what falls off is deleted.
func (f *rotating) shift() error {
	name := func(n int) string {
		if n == 0 {
			return f.path
		}
		return fmt.Sprintf("%s.%d", f.path, n)
	}
	if err := os.Remove(name(f.keep - 1)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for n := f.keep - 2; n >= 0; n-- {
		if err := os.Rename(name(n), name(n+1)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

func (f *rotating) close() error {
	if f.file == nil {
		return nil
	}
	err := f.file.Close()
	f.file = nil
	return err
}

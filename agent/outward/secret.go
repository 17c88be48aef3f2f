package outward

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"runtime"
	"strings"
	"sync"
	"unicode/utf8"
)

// Fault is a fault of the set-up: a wrong password, an address that is gone. A
// person must mend it; what is to be sent waits.
type Fault struct{ Why string }

// Error implements error.
func (e *Fault) Error() string { return "set-up: " + e.Why }

// ByteOrderMark is what some editors put before a text.
const ByteOrderMark = "\ufeff"

// mostSecret is more bytes than a password or two signing secrets have.
const mostSecret = 4 << 10

// Secret is a file that holds a password, a token or a signing secret. It is read
// at each use, so that a changed one holds at once. Its methods may be called by
// many goroutines at once.
type Secret struct {
	Path string
	Log  *slog.Logger

	mu     sync.Mutex
	warned bool // that everybody may read it
}

// Read returns the file's text without the white space around it. The error holds
// nothing of the text; it is a *Fault where a person must mend it.
func (s *Secret) Read() (string, error) {
	info, err := os.Stat(s.Path)
	if err == nil && !info.Mode().IsRegular() {
		return "", &Fault{fmt.Sprintf("%s is not a file: name the file with the secret", s.Path)}
	}
	var data []byte
	if err == nil {
		s.warnOpen(info.Mode())
		data, err = ReadUpTo(s.Path, mostSecret)
	}
	switch text := strings.TrimSpace(strings.TrimPrefix(string(data), ByteOrderMark)); {
	case errors.Is(err, fs.ErrNotExist):
		return "", &Fault{fmt.Sprintf("there is no file %s: put the secret there", s.Path)}
	case errors.Is(err, fs.ErrPermission):
		return "", &Fault{fmt.Sprintf("%s may not be read by this program's user: change its rights", s.Path)}
	case err != nil:
		return "", fmt.Errorf("read the secret: %w", err) // a disk that may come back
	case len(data) > mostSecret:
		return "", &Fault{fmt.Sprintf("%s is longer than %d bytes: put the secret alone into it", s.Path, mostSecret)}
	case strings.ContainsRune(text, 0) || !utf8.ValidString(text): // some editors and shells write UTF-16
		return "", &Fault{fmt.Sprintf("%s is not plain text: save it as UTF-8", s.Path)}
	case text == "":
		return "", &Fault{fmt.Sprintf("%s is empty: put the secret into it", s.Path)}
	default:
		return text, nil
	}
}

// warnOpen tells once that everybody on the computer may read the secret.
func (s *Secret) warnOpen(mode fs.FileMode) {
	open := runtime.GOOS != "windows" && mode.Perm()&0o004 != 0
	s.mu.Lock()
	tell := open && !s.warned
	s.warned = open
	s.mu.Unlock()
	if tell {
		s.Log.Warn("everybody on this computer may read a secret: take that right away (chmod o-rwx)", "file", s.Path)
	}
}

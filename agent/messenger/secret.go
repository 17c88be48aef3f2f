package messenger

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

// byteOrderMark is what some editors put before a text.
const byteOrderMark = "\ufeff"

// mostSecret is more bytes than a password or two signing secrets have.
const mostSecret = 4 << 10

// secret is a file that holds a password or a signing secret. It is read at each
// use, so that a changed one holds at once.
type secret struct {
	path string
	log  *slog.Logger

	mu     sync.Mutex
	warned bool // that everybody may read it
}

// read returns the file's text without the white space around it. The error is
// *Held and holds nothing of the text.
func (s *secret) read() (string, error) {
	info, err := os.Stat(s.path)
	if err == nil && !info.Mode().IsRegular() {
		return "", &Held{fmt.Sprintf("%s is not a file: name the file with the secret", s.path)}
	}
	var data []byte
	if err == nil {
		s.warnOpen(info.Mode())
		data, err = readUpTo(s.path, mostSecret)
	}
	switch text := strings.TrimSpace(strings.TrimPrefix(string(data), byteOrderMark)); {
	case errors.Is(err, fs.ErrNotExist):
		return "", &Held{fmt.Sprintf("there is no file %s: put the secret there", s.path)}
	case errors.Is(err, fs.ErrPermission):
		return "", &Held{fmt.Sprintf("%s may not be read by this program's user: change its rights", s.path)}
	case err != nil:
		return "", fmt.Errorf("read the secret: %w", err) // a disk that may come back
	case len(data) > mostSecret:
		return "", &Held{fmt.Sprintf("%s is longer than %d bytes: put the secret alone into it", s.path, mostSecret)}
	case strings.ContainsRune(text, 0) || !utf8.ValidString(text): // some editors and shells write UTF-16
		return "", &Held{fmt.Sprintf("%s is not plain text: save it as UTF-8", s.path)}
	case text == "":
		return "", &Held{fmt.Sprintf("%s is empty: put the secret into it", s.path)}
	default:
		return text, nil
	}
}

// warnOpen tells once that everybody on the computer may read the secret.
func (s *secret) warnOpen(mode fs.FileMode) {
	open := runtime.GOOS != "windows" && mode.Perm()&0o004 != 0
	s.mu.Lock()
	tell := open && !s.warned
	s.warned = open
	s.mu.Unlock()
	if tell {
		s.log.Warn("everybody on this computer may read a secret: take that right away (chmod o-rwx)", "file", s.path)
	}
}

// without takes secrets out of what another side or a library said: a server may
// repeat what it was sent.
func without(text string, secrets ...string) string {
	for _, s := range secrets {
		if s != "" {
			text = strings.ReplaceAll(text, s, "(secret)")
		}
	}
	return cut(line(text), mostSaid)
}

// mostSaid is how much of what another side says is kept, in bytes.
const mostSaid = 300

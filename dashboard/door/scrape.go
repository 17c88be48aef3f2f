package door

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

const scrapeFile = "scrape-token"

// ScrapeToken returns what a metrics scrape sends as a bearer token, made where
// there is none yet, or anew; then the old one no longer counts.
func (d *Door) ScrapeToken(anew bool) (string, error) {
	d.writing.Lock()
	defer d.writing.Unlock()
	path := filepath.Join(d.o.Dir, scrapeFile)
	if !anew {
		text, err := os.ReadFile(path)
		if token := strings.TrimSpace(string(text)); err == nil && len(token) >= 32 {
			d.setScrape(token)
			return token, nil
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("read the scrape token: %w", err)
		}
	}
	random := make([]byte, 32)
	rand.Read(random) // never fails: see its documentation
	token := hex.EncodeToString(random)
	if err := keepFile(d.o.Dir, scrapeFile, []byte(token+"\n")); err != nil {
		return "", err
	}
	d.setScrape(token)
	if anew {
		d.tell("a new scrape token for metrics", map[string]string{"action": "scrape-token"})
	}
	return token, nil
}

func (d *Door) setScrape(token string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.scrape = sha256.Sum256([]byte(token))
}

// MayScrape reports whether a bearer token is the one for metrics.
func (d *Door) MayScrape(token string) bool {
	sum := sha256.Sum256([]byte(token))
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.scrape != [32]byte{} && subtle.ConstantTimeCompare(sum[:], d.scrape[:]) == 1
}

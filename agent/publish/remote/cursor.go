package remote

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"loadscribe/agent/outward"
)

// cursor is what lies on the disk: where the sender is, and what it has counted.
type cursor struct {
	Format   int      `json:"format"`
	Position Position `json:"position"` // all before it is settled
	// Sending is the Next of the batch that was under way when this was written, and
	// may have been delivered; nil: none was.
	Sending Position `json:"sending,omitempty"`
	// Running is whether a process was at work since: its last cursors may not have come
	// to the disk.
	Running bool `json:"running"`
	// Split is whether that batch was being sent in parts.
	Split bool `json:"split,omitempty"`
	// Holes are samples of that batch that were refused, and of whose series newer ones
	// may have been taken since.
	Holes []hole `json:"holes,omitempty"`

	Samples  int64            `json:"samples"`
	There    int64            `json:"there"`
	Refused  map[string]int64 `json:"refused,omitempty"`
	SetAside int64            `json:"set_aside"`
	Requests int64            `json:"requests"`
	Bytes    int64            `json:"bytes"`
	Retried  int64            `json:"retried"`
	Missed   int64            `json:"missed"`

	FailingSinceMS  int64 `json:"failing_since_ms"`
	LastSampleMS    int64 `json:"last_sample_ms"`
	LastDeliveredMS int64 `json:"last_delivered_ms"`
}

// settled notes that no batch is under way.
func (c *cursor) settled() { c.Sending, c.Split, c.Holes = nil, false, nil }

const (
	cursorFile   = "cursor"
	cursorFormat = 1
	// mostCursor is more bytes than two positions have in base64, and the rest.
	mostCursor = 2*(MostPosition*4/3+4) + 64<<10
)

var errDamaged = errors.New("it is damaged")

// encode is one line of JSON and its SHA-256 in hex.
func (c *cursor) encode() ([]byte, error) {
	data, err := json.Marshal(c)
	if err != nil {
		return nil, err
	}
	return seal(data), nil
}

func seal(line []byte) []byte {
	sum := sha256.Sum256(line)
	return fmt.Appendf(line, "\n%s\n", hex.EncodeToString(sum[:]))
}

// decodeCursor reads what encode wrote; anything else is damaged.
func decodeCursor(data []byte) (*cursor, error) {
	line, rest, found := bytes.Cut(data, []byte("\n"))
	sum := sha256.Sum256(line)
	if !found || string(rest) != hex.EncodeToString(sum[:])+"\n" {
		return nil, errDamaged
	}
	var c cursor
	if err := json.Unmarshal(line, &c); err != nil {
		return nil, fmt.Errorf("%w: %w", errDamaged, err)
	}
	if c.Format != cursorFormat {
		return nil, fmt.Errorf("%w: format %d", errDamaged, c.Format)
	}
	if len(c.Position) > MostPosition || len(c.Sending) > MostPosition {
		return nil, errDamaged
	}
	return &c, nil
}

// keeper keeps the cursor file of one sender.
type keeper struct {
	dir   string // of this sender
	files outward.Files
	made  bool // the folder is there
}

func (k *keeper) path() string { return filepath.Join(k.dir, cursorFile) }

// load reads the cursor. Without a file it is nil. The error wraps errDamaged where
// the file is no cursor.
func (k *keeper) load() (*cursor, error) {
	data, err := outward.ReadUpTo(k.path(), mostCursor)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return decodeCursor(data)
}

// setAside moves a damaged cursor where nothing reads it, and returns its new name.
func (k *keeper) setAside() (string, error) {
	for n := 1; ; n++ {
		name := fmt.Sprintf("cursor.damaged-%d", n)
		to := filepath.Join(k.dir, name)
		if _, err := os.Lstat(to); err == nil {
			continue
		}
		if err := k.files.Rename(k.path(), to); err != nil {
			return "", err
		}
		return name, k.files.SyncDir(k.dir)
	}
}

// keep writes the cursor: synced before it is renamed, so that a power cut leaves the
// earlier one or this.
func (k *keeper) keep(c *cursor) error {
	data, err := c.encode()
	if err != nil {
		return err
	}
	if err := k.makeDir(); err != nil {
		return err
	}
	temp := k.path() + ".tmp"
	if err := k.files.WriteSynced(temp, data); err != nil {
		if failed := k.files.Remove(temp); failed != nil && !errors.Is(failed, fs.ErrNotExist) {
			err = errors.Join(err, failed)
		}
		return err
	}
	if err := k.files.Rename(temp, k.path()); err != nil {
		return err
	}
	return k.files.SyncDir(k.dir)
}

// makeDir makes the folder and the one above it, and their names safe.
func (k *keeper) makeDir() error {
	if k.made {
		return nil
	}
	if err := os.MkdirAll(k.dir, 0o700); err != nil {
		return err
	}
	above := filepath.Dir(k.dir)
	if err := errors.Join(k.files.SyncDir(above), k.files.SyncDir(filepath.Dir(above))); err != nil {
		return err
	}
	k.made = true
	return nil
}

package evidence

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// ErrCheckpoint: a text that is no checkpoint, or was not signed by the key it
// names.
var ErrCheckpoint = errors.New("not a valid checkpoint")

// Checkpoint names the head of a log. Its text is a signed note (C2SP
// tlog-checkpoint and signed-note, from memory): origin, size and root, a line
// each, then lines of our own, and a signature over all of them.
type Checkpoint struct {
	Origin string // loadscribe/ and the store's id in hex
	Size   int64  // leaves
	Root   tlog.Hash
	MadeMS int64 // Unix ms UTC
	// FromMS and ToMS are the wall times of the first and last reading in the
	// log; both 0: there is none.
	FromMS, ToMS int64
	// Key is the verifier key: the name, which is the origin, a hash and the
	// public key. Sign sets it.
	Key string
}

// text is what is signed.
func (c *Checkpoint) text() string {
	readings := "none"
	if c.FromMS != 0 || c.ToMS != 0 {
		readings = timeText(c.FromMS) + " " + timeText(c.ToMS)
	}
	return fmt.Sprintf("%s\n%d\n%s\nmade %s\nreadings %s\nkey %s\n", c.Origin, c.Size, c.Root, timeText(c.MadeMS), readings, c.Key)
}

const timeLayout = "2006-01-02T15:04:05.000Z"

// timeText is a time in RFC 3339, or in milliseconds where a wrong clock gave
// a year that RFC 3339 has not.
func timeText(ms int64) string {
	t := time.UnixMilli(ms).UTC()
	if t.Year() < 1 || t.Year() > 9999 {
		return strconv.FormatInt(ms, 10)
	}
	return t.Format(timeLayout)
}

func parseTime(text string) (int64, error) {
	if t, err := time.Parse(timeLayout, text); err == nil {
		return t.UnixMilli(), nil
	}
	return strconv.ParseInt(text, 10, 64)
}

// Sign returns the checkpoint's text with a signature by k.
func (c Checkpoint) Sign(k *Key) ([]byte, error) {
	verifierKey, err := note.NewEd25519VerifierKey(c.Origin, k.Public())
	if err != nil {
		return nil, fmt.Errorf("sign a checkpoint: %w", err)
	}
	c.Key = verifierKey
	v, err := note.NewVerifier(verifierKey)
	if err != nil {
		return nil, fmt.Errorf("sign a checkpoint as %q: %w", c.Origin, err)
	}
	text, err := note.Sign(&note.Note{Text: c.text()}, signer{v, k})
	if err != nil {
		return nil, fmt.Errorf("sign a checkpoint: %w", err)
	}
	return text, nil
}

// ParseCheckpoint reads a checkpoint and checks its signature against the key
// that it names. Each checkpoint has one text: any other bytes are refused.
func ParseCheckpoint(text []byte) (Checkpoint, error) {
	c, err := readLines(text)
	if err != nil {
		return Checkpoint{}, err
	}
	v, err := note.NewVerifier(c.Key)
	if err != nil || v.Name() != c.Origin {
		return Checkpoint{}, fmt.Errorf("%w: its key is not one of %q", ErrCheckpoint, c.Origin)
	}
	n, err := note.Open(text, note.VerifierList(v))
	if err != nil || len(n.Sigs) != 1 || len(n.UnverifiedSigs) != 0 {
		return Checkpoint{}, fmt.Errorf("%w: its signature is not by the key it names", ErrCheckpoint)
	}
	// the same bits in other bytes: base64 has some
	if _, err := base64.StdEncoding.Strict().DecodeString(n.Sigs[0].Base64); err != nil {
		return Checkpoint{}, fmt.Errorf("%w: its signature is written another way", ErrCheckpoint)
	}
	whole := n.Text + "\n— " + n.Sigs[0].Name + " " + n.Sigs[0].Base64 + "\n"
	if n.Text != c.text() || !bytes.Equal(text, []byte(whole)) {
		return Checkpoint{}, fmt.Errorf("%w: its lines are written another way", ErrCheckpoint)
	}
	return c, nil
}

func readLines(text []byte) (c Checkpoint, err error) {
	const maxText = 4096
	lines := strings.Split(string(text[:min(len(text), maxText)]), "\n")
	if len(text) > maxText || len(lines) != 9 {
		return c, fmt.Errorf("%w: one begins with a line \"loadscribe/…\" and has six lines, an empty one and a signature", ErrCheckpoint)
	}
	bad := func(i int) (Checkpoint, error) {
		return Checkpoint{}, fmt.Errorf("%w: line %d is %q", ErrCheckpoint, i+1, lines[i])
	}
	c.Origin = lines[0]
	if c.Size, err = strconv.ParseInt(lines[1], 10, 64); err != nil || c.Size < 0 {
		return bad(1)
	}
	if c.Root, err = tlog.ParseHash(lines[2]); err != nil {
		return bad(2)
	}
	made, ok := strings.CutPrefix(lines[3], "made ")
	if c.MadeMS, err = parseTime(made); err != nil || !ok {
		return bad(3)
	}
	readings, ok := strings.CutPrefix(lines[4], "readings ")
	if !ok {
		return bad(4)
	}
	if readings != "none" {
		from, to, _ := strings.Cut(readings, " ")
		if c.FromMS, err = parseTime(from); err != nil {
			return bad(4)
		}
		if c.ToMS, err = parseTime(to); err != nil {
			return bad(4)
		}
	}
	if c.Key, ok = strings.CutPrefix(lines[5], "key "); !ok {
		return bad(5)
	}
	return c, nil
}

// PublicKey is the key that the checkpoint was signed with.
func (c *Checkpoint) PublicKey() (ed25519.PublicKey, error) { return PublicKey(c.Key) }

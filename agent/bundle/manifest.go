package bundle

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"

	"loadscribe/agent/transfer"
)

const (
	formatName    = "loadscribe evidence bundle"
	formatVersion = 1
	maxManifest   = 1 << 20
)

// manifest says what the bundle claims to show. Each of its fields is checked.
type manifest struct {
	Format  string `json:"format"`
	Version int    `json:"version"`
	// FromMS and ToMS are the window, half open, in Unix milliseconds.
	FromMS int64           `json:"from_ms"`
	ToMS   int64           `json:"to_ms"`
	Layout transfer.Layout `json:"layout"`
	// Channels are those of the CSV; empty means all.
	Channels []string `json:"channels"`
	// FirstLeaf is the seal with which what is shown begins, EndLeaf the first
	// leaf behind it.
	FirstLeaf int64 `json:"first_leaf"`
	EndLeaf   int64 `json:"end_leaf"`
	// LostTexts are hashes of site files and maps that events name and the
	// store no longer has.
	LostTexts []string `json:"lost_texts"`
}

// bytes is the manifest's one form: indented by one space, a line end behind.
func (m *manifest) bytes() ([]byte, error) {
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	if err := e.Encode(m); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

func readManifest(b []byte) (*manifest, error) {
	bad := func(format string, args ...any) error {
		return fmt.Errorf("%w: %s: %s", ErrBroken, nameManifest, fmt.Sprintf(format, args...))
	}
	var m manifest
	if err := json.Unmarshal(b, &m); err != nil {
		return nil, bad("%v", err)
	}
	if m.Format != formatName {
		return nil, bad("format is %q", m.Format)
	}
	if m.Version != formatVersion {
		return nil, bad("version %d of the format is not known: use a newer loadscribe", m.Version)
	}
	if again, err := m.bytes(); err != nil || !bytes.Equal(again, b) {
		return nil, bad("it is not written in the one form that it has")
	}
	layout, err := transfer.ParseLayout(string(m.Layout))
	switch {
	case err != nil || layout != m.Layout:
		return nil, bad("layout %q", m.Layout)
	case m.FromMS >= m.ToMS:
		return nil, bad("the window ends before it begins")
	case m.FirstLeaf < 0 || m.FirstLeaf >= m.EndLeaf:
		return nil, bad("the leaves from %d to before %d", m.FirstLeaf, m.EndLeaf)
	}
	return &m, nil
}

// isBroken reports whether an error says something about the bundle, and not
// about the disk or the caller.
func isBroken(err error) bool {
	return errors.Is(err, ErrContainer) || errors.Is(err, ErrBroken) || errors.Is(err, ErrKept) || errors.Is(err, ErrNotReached)
}

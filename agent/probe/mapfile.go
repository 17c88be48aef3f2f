package probe

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// ErrMapExists is returned where a file of that name is there already.
var ErrMapExists = errors.New("the file is there already; give another name, or move it away")

// MapText writes names as a register map. title is the map's name, ranges is
// what was looked at, with rows as they were judged: they become comments. A
// channel whose name is a role gets that role.
func MapText(title string, names []Name, looks []Look) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# Written by loadscribe probe from what was seen on the line. Check every scale and\n"+
		"# unit against the machine's own display before you trust it.\n")
	fmt.Fprintf(&b, "name = %s\nprotocol = \"modbus\"\naddressing = \"zero-based\"\n", strconv.Quote(title))
	if slices.ContainsFunc(looks, func(l Look) bool { return len(l.Range.Holes()) > 0 }) {
		fmt.Fprintf(&b, "bridge = 0                # the device refuses some addresses: read nothing that is not named\n")
	}
	for i := range names {
		n := &names[i]
		b.WriteString("\n[[channel]]\n")
		if seen := seenOf(n, looks); seen != "" {
			fmt.Fprintf(&b, "# seen: %s\n", seen)
		}
		fmt.Fprintf(&b, "name = %s\n", strconv.Quote(n.Channel))
		if role := scan.Role(n.Channel); role.Known() {
			fmt.Fprintf(&b, "role = %q\n", string(role))
		}
		fmt.Fprintf(&b, "table = %q\naddress = %d\n", string(n.Table), n.Address)
		n.writeValue(&b)
	}
	return b.String()
}

func (n *Name) writeValue(b *strings.Builder) {
	if n.Type == "bit" {
		return // the table says it
	}
	fmt.Fprintf(b, "type = %q\n", n.Type)
	if n.Bit >= 0 {
		fmt.Fprintf(b, "bit = %d\n", n.Bit)
		return
	}
	if n.registers() > 1 {
		words := "big"
		if n.Little {
			words = "little"
		}
		fmt.Fprintf(b, "words = %q\n", words)
	}
	if n.Scale != 1 {
		fmt.Fprintf(b, "scale = %s\n", strconv.FormatFloat(n.Scale, 'g', -1, 64))
	}
	if n.Unit != "1" {
		fmt.Fprintf(b, "unit = %s\n", strconv.Quote(n.Unit))
	}
}

// Look is a range with what was seen of it.
type Look struct {
	Range *Range
	Rows  []Row
}

func seenOf(n *Name, looks []Look) string {
	for _, l := range looks {
		if l.Range.Table != n.Table {
			continue
		}
		for i := range l.Rows {
			row := &l.Rows[i]
			if row.Address != n.Address {
				continue
			}
			if n.registers() == 1 {
				return fmt.Sprintf("raw %s, %s", row.Hex, row.Movement.Text)
			}
			if row.After != nil {
				return fmt.Sprintf("raw %s %04X, %s", row.Hex, *row.After, row.Movement.Text)
			}
		}
	}
	return ""
}

// WriteMap writes the map's text to a new file, once it is sure that it can be
// loaded: a role that does not fit its unit, a name used twice and the like
// come back as sitefile.Problems and leave no file.
func WriteMap(path, text string) error {
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("write %s: %w", path, ErrMapExists)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("write %s: %w", path, err)
	}
	draft, err := os.CreateTemp(filepath.Dir(path), ".probe-*.toml")
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	_, err = draft.WriteString(text)
	err = errors.Join(err, draft.Sync(), draft.Close())
	if err == nil {
		_, err = sitefile.LoadMap(draft.Name())
		err = renamed(err, path)
	}
	if err == nil {
		err = os.Chmod(draft.Name(), 0o644)
	}
	if err == nil {
		err = os.Rename(draft.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(draft.Name()))
	}
	return nil
}

// renamed puts the wanted file's name into the problems of the draft.
func renamed(err error, path string) error {
	var problems sitefile.Problems
	if !errors.As(err, &problems) {
		return err
	}
	for i := range problems {
		problems[i].File = path
	}
	return problems
}

package sitefile

import (
	"bytes"
	"errors"
	"fmt"
	"sort"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// position is a place in a file, line and column in characters from 1.
type position struct{ line, col int }

// kind is the TOML type of a value.
type kind uint8

const (
	kindText kind = iota
	kindInteger
	kindFloat
	kindBool
	kindDate
	kindList
	kindTable
)

// String names the kind for people.
func (k kind) String() string {
	return [...]string{"a text in quotes", "a whole number", "a number", "true or false",
		"a date or time", "a list in [ ]", "a table"}[k]
}

// value is a TOML value with its place. Text holds a text's content and the
// written form of numbers, dates and booleans.
type value struct {
	at      position
	kind    kind
	text    string
	integer int64
	float   float64 // of integers too
	list    []*value
	table   *table
}

type entry struct {
	key   string
	at    position
	value *value
}

// table is a TOML table in the order of the file.
type table struct {
	at      position
	entries []entry
}

func (t *table) find(key string) *entry {
	for i := range t.entries {
		if t.entries[i].key == key {
			return &t.entries[i]
		}
	}
	return nil
}

// syntaxError is a file that is not TOML.
type syntaxError struct {
	at      position
	message string
	mend    string
}

func (e *syntaxError) Error() string { return e.message }

var (
	bomUTF8    = []byte{0xef, 0xbb, 0xbf}
	bomUTF16LE = []byte{0xff, 0xfe}
	bomUTF16BE = []byte{0xfe, 0xff}
)

// parseDocument reads TOML into a tree that keeps the place of every key and
// value. The error, if any, is a *syntaxError.
//
// The decoder of go-toml checks the document (a key given twice, a table
// opened twice); its parser gives the places. Reading into Go structs would
// give only the first wrong type, in words made for programmers.
func parseDocument(data []byte) (*table, error) {
	if bytes.HasPrefix(data, bomUTF16LE) || bytes.HasPrefix(data, bomUTF16BE) {
		return nil, &syntaxError{position{1, 1}, "the file is UTF-16 text", "save it as UTF-8"}
	}
	data = bytes.TrimPrefix(data, bomUTF8) // editors on Windows write one
	b := &builder{data: data}
	for i, c := range data {
		if c == '\n' {
			b.ends = append(b.ends, i)
		}
	}
	var discard map[string]any
	if err := toml.Unmarshal(data, &discard); err != nil {
		return nil, b.syntax(err)
	}
	return b.build()
}

// builder turns the parser's nodes into tables.
type builder struct {
	data   []byte
	ends   []int // offsets of the line ends
	parser unstable.Parser
}

func (b *builder) position(offset int) position {
	line := sort.SearchInts(b.ends, offset)
	start := 0
	if line > 0 {
		start = b.ends[line-1] + 1
	}
	return position{line + 1, utf8.RuneCount(b.data[start:offset]) + 1}
}

func (b *builder) syntax(err error) *syntaxError {
	se := &syntaxError{at: position{1, 1}, message: strings.TrimPrefix(err.Error(), "toml: ")}
	var de *toml.DecodeError
	if !errors.As(err, &de) {
		return se
	}
	line, col := de.Position()
	se.at = position{line, col}
	if line >= 1 && line <= len(b.ends)+1 {
		row := b.line(line)
		se.at.col = utf8.RuneCount(row[:min(len(row), max(0, col-1))]) + 1
		if bytes.IndexByte(row, '\\') >= 0 {
			se.mend = `in "…" a backslash begins an escape: write paths with / or in '…'`
		}
	}
	return se
}

func (b *builder) line(n int) []byte {
	start, end := 0, len(b.data)
	if n > 1 {
		start = b.ends[n-2] + 1
	}
	if n <= len(b.ends) {
		end = b.ends[n-1]
	}
	return b.data[start:end]
}

func (b *builder) build() (*table, error) {
	root := &table{at: position{1, 1}}
	current := root
	b.parser.Reset(b.data)
	for b.parser.NextExpression() {
		n := b.parser.Expression()
		var err error
		switch n.Kind {
		case unstable.Table, unstable.ArrayTable:
			current, err = b.open(root, n.Key(), n.Kind == unstable.ArrayTable)
		case unstable.KeyValue:
			err = b.insert(current, n)
		}
		if err != nil {
			return nil, err
		}
	}
	if err := b.parser.Error(); err != nil {
		return nil, b.syntax(err)
	}
	return root, nil
}

// open finds or makes the table that a header or the front of a dotted key
// names, below t; with list it adds a table to the list of that name.
func (b *builder) open(t *table, keys unstable.Iterator, list bool) (*table, error) {
	for keys.Next() {
		n := keys.Node()
		at := b.position(int(n.Raw.Offset))
		name, last := string(n.Data), keys.IsLast()
		e := t.find(name)
		if e == nil {
			v := &value{at: at, kind: kindTable, table: &table{at: at}}
			if list && last {
				v = &value{at: at, kind: kindList}
			}
			t.entries = append(t.entries, entry{name, at, v})
			e = &t.entries[len(t.entries)-1]
		}
		v := e.value
		if list && last && v.kind == kindList {
			v.list = append(v.list, &value{at: at, kind: kindTable, table: &table{at: at}})
		}
		if v.kind == kindList && len(v.list) > 0 {
			v = v.list[len(v.list)-1]
		}
		if v.kind != kindTable {
			return nil, &syntaxError{at, fmt.Sprintf("%q is already %s", name, e.value.kind), ""}
		}
		t = v.table
	}
	return t, nil
}

func (b *builder) insert(t *table, n *unstable.Node) error {
	keys := n.Key()
	for keys.Next() {
		if keys.IsLast() {
			break
		}
		k := keys.Node()
		at := b.position(int(k.Raw.Offset))
		e := t.find(string(k.Data))
		if e == nil {
			t.entries = append(t.entries, entry{string(k.Data), at, &value{at: at, kind: kindTable, table: &table{at: at}}})
			e = &t.entries[len(t.entries)-1]
		}
		if e.value.kind != kindTable {
			return &syntaxError{at, fmt.Sprintf("%q is already %s", e.key, e.value.kind), ""}
		}
		t = e.value.table
	}
	k := keys.Node()
	at := b.position(int(k.Raw.Offset))
	v, err := b.value(n.Value(), at)
	if err != nil {
		return err
	}
	t.entries = append(t.entries, entry{string(k.Data), at, v})
	return nil
}

// value reads a value node; at is its key's place, which lists keep, because
// the parser gives them none.
func (b *builder) value(n *unstable.Node, at position) (*value, error) {
	if n.Raw.Length > 0 {
		at = b.position(int(n.Raw.Offset))
	}
	v := &value{at: at, text: string(n.Data)}
	switch n.Kind {
	case unstable.String:
		v.kind = kindText
	case unstable.Bool:
		v.kind = kindBool
	case unstable.Integer:
		v.kind = kindInteger
		i, err := strconv.ParseInt(v.text, 0, 64)
		if err != nil {
			return nil, &syntaxError{at, fmt.Sprintf("%s is not a whole number of 64 bits", v.text), ""}
		}
		v.integer, v.float = i, float64(i)
	case unstable.Float:
		v.kind = kindFloat
		f, err := strconv.ParseFloat(strings.ReplaceAll(v.text, "_", ""), 64)
		if err != nil {
			return nil, &syntaxError{at, fmt.Sprintf("%s is too large", v.text), ""}
		}
		v.float = f
	case unstable.Array:
		v.kind = kindList
		for items := n.Children(); items.Next(); {
			if items.Node().Kind == unstable.Comment {
				continue
			}
			item, err := b.value(items.Node(), at)
			if err != nil {
				return nil, err
			}
			v.list = append(v.list, item)
		}
	case unstable.InlineTable:
		v.kind, v.table = kindTable, &table{at: at}
		for items := n.Children(); items.Next(); {
			if items.Node().Kind == unstable.Comment {
				continue
			}
			if err := b.insert(v.table, items.Node()); err != nil {
				return nil, err
			}
		}
	default:
		v.kind = kindDate
	}
	return v, nil
}

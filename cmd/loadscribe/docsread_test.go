package main

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// docPage is a page of the docs, taken apart.
type docPage struct {
	name   string // from the tree's root: "docs/replay.md"
	text   string
	blocks []docBlock
	spans  []docSpan
}

// docBlock is a fenced block.
type docBlock struct {
	page string
	line int    // of its first line, from 1
	kind string // what stands behind the fence: sh, toml, …
	text string
	// note is what a comment in front of the block says of it, KEY: VALUE, which a reader
	// of the page does not see.
	note map[string]string
}

// docSpan is what stands between single backquotes.
type docSpan struct {
	page string
	line int
	text string
	row  string // the table row that it stands in, or ""
}

// docMistake is what a page shows and is not so.
type docMistake struct {
	page string
	line int
	what string
}

func (m docMistake) String() string { return fmt.Sprintf("%s:%d: %s", m.page, m.line, m.what) }

var (
	fenceLine = regexp.MustCompile("^( *)```(.*)$")
	noteLine  = regexp.MustCompile(`^ *<!-- *([a-z]+): *(.*?) *-->$`)
	// A backslash keeps a bar from ending a table's cell.
	barInCell = strings.NewReplacer(`\|`, "|")
)

// readDoc takes a page apart.
func readDoc(name, text string) (*docPage, error) {
	p := &docPage{name: name, text: text}
	lines := strings.Split(text, "\n")
	var paragraph []string
	begun := 0
	flush := func() {
		p.spans = append(p.spans, spansOf(name, begun, paragraph)...)
		paragraph = nil
	}
	for i := 0; i < len(lines); i++ {
		fence := fenceLine.FindStringSubmatch(lines[i])
		if fence == nil {
			if len(paragraph) == 0 {
				begun = i + 1
			}
			if paragraph = append(paragraph, lines[i]); strings.TrimSpace(lines[i]) == "" || strings.HasPrefix(lines[i], "|") {
				flush()
			}
			continue
		}
		flush()
		end := i + 1
		for end < len(lines) && strings.TrimSpace(lines[end]) != "```" {
			end++
		}
		if end == len(lines) {
			return nil, fmt.Errorf("%s:%d: the block has no end", name, i+1)
		}
		b := docBlock{page: name, line: i + 2, kind: strings.TrimSpace(fence[2]), note: notesBefore(lines[:i])}
		for _, l := range lines[i+1 : end] {
			b.text += strings.TrimPrefix(l, fence[1]) + "\n"
		}
		p.blocks = append(p.blocks, b)
		i = end
	}
	flush()
	return p, nil
}

// notesBefore reads the comments that stand right above a block.
func notesBefore(lines []string) map[string]string {
	notes := map[string]string{}
	for _, l := range slices.Backward(lines) {
		m := noteLine.FindStringSubmatch(l)
		if m == nil {
			break
		}
		notes[m[1]] = m[2]
	}
	return notes
}

var spanText = regexp.MustCompile("(?s)``(.+?)``|`([^`]+)`")

// spansOf finds the spans of a paragraph, which may run on over a line's end.
func spansOf(page string, begun int, lines []string) (all []docSpan) {
	text := strings.Join(lines, "\n")
	row := ""
	if strings.HasPrefix(text, "|") {
		row = text
	}
	for _, at := range spanText.FindAllStringSubmatchIndex(text, -1) {
		from, to := at[2], at[3]
		if from < 0 {
			from, to = at[4], at[5]
		}
		span := strings.Join(strings.Fields(text[from:to]), " ")
		if row != "" {
			span = barInCell.Replace(span)
		}
		all = append(all, docSpan{page, begun + strings.Count(text[:at[0]], "\n"), span, row})
	}
	return all
}

// readDocs takes README.md and all pages below docs apart.
func readDocs(root string) ([]*docPage, error) {
	files := []string{"README.md"}
	err := filepath.WalkDir(filepath.Join(root, "docs"), func(path string, d fs.DirEntry, err error) error {
		if err == nil && filepath.Ext(path) == ".md" {
			rel, _ := filepath.Rel(root, path)
			files = append(files, filepath.ToSlash(rel))
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	var pages []*docPage
	for _, f := range files {
		text, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(f)))
		if err != nil {
			return nil, err
		}
		p, err := readDoc(f, string(text))
		if err != nil {
			return nil, err
		}
		pages = append(pages, p)
	}
	return pages, nil
}

// shellLine is one line of a shell block, with what it goes on to.
type shellLine struct {
	line int
	text string
	exit int // the code that the page says it ends with
}

// shellLines takes a shell block apart: lines that end in a backslash, or within
// quotes, go on. Comments are left out.
func shellLines(b docBlock) (all []shellLine) {
	var open *shellLine
	for i, l := range strings.Split(b.text, "\n") {
		if open == nil {
			open = &shellLine{line: b.line + i}
		} else {
			open.text += "\n"
		}
		open.text += l
		text, quote := uncommented(open.text)
		if quote != 0 || strings.HasSuffix(text, `\`) {
			continue
		}
		if m := exitSaid.FindStringSubmatch(open.text); m != nil {
			open.exit = int(m[1][0] - '0')
		}
		if open.text = strings.TrimSpace(text); open.text != "" {
			all = append(all, *open)
		}
		open = nil
	}
	if open != nil {
		all = append(all, *open)
	}
	return all
}

// exitSaid is how a page says that a command does not end well.
var exitSaid = regexp.MustCompile(`# exit code (\d)`)

// uncommented is a shell text without the comment at its end, and the quote that is
// still open, or 0.
func uncommented(text string) (string, rune) {
	var quote, before rune
	for i, r := range text {
		switch {
		case before == '\\' && quote != '\'':
			r = 0 // a backslash escapes one
		case quote == r:
			quote = 0
		case quote == 0 && (r == '"' || r == '\''):
			quote = r
		case quote == 0 && r == '#' && (i == 0 || before == ' ' || before == '\n'):
			return strings.TrimRight(text[:i], " "), 0
		}
		before = r
	}
	return strings.TrimRight(text, " "), quote
}

// simpleCommands are the words of each program that a shell line starts, without
// redirections.
func simpleCommands(text string) (all [][]string) {
	var words []string
	var word strings.Builder
	var quote rune
	var inWord, redirect bool
	endWord := func() {
		if inWord && !redirect {
			words = append(words, word.String())
		}
		if inWord {
			redirect = false
		}
		word.Reset()
		inWord = false
	}
	endCommand := func() {
		endWord()
		if len(words) > 0 {
			all = append(all, words)
		}
		words = nil
	}
	runes := []rune(text)
	for i := 0; i < len(runes); i++ {
		r := runes[i]
		switch {
		case r == '\\' && quote != '\'' && i+1 < len(runes):
			i++
			if runes[i] != '\n' {
				word.WriteRune(runes[i])
				inWord = true
			}
		case quote != 0 && r == quote:
			quote = 0
		case quote == 0 && (r == '"' || r == '\''):
			quote, inWord = r, true
		case quote == 0 && (r == '>' || r == '<'):
			endWord()
			redirect = true
		case r == '$' && quote != '\'' && i+1 < len(runes) && runes[i+1] == '(': // its quotes are its own
			inner := runes[i+2:]
			n := matching(inner)
			all = append(all, simpleCommands(string(inner[:n]))...)
			i += 2 + n
			word.WriteString("$()")
			inWord = true
		case quote == 0 && strings.ContainsRune(";&|()\n", r):
			endCommand()
		case quote == 0 && r == ' ':
			endWord()
		default:
			word.WriteRune(r)
			inWord = true
		}
	}
	endCommand()
	return all
}

// matching is where the bracket is closed that was opened before text.
func matching(text []rune) int {
	depth := 1
	var quote rune
	for i, r := range text {
		switch {
		case quote != 0:
			if r == quote {
				quote = 0
			}
		case r == '\'' || r == '"':
			quote = r
		case r == '(':
			depth++
		case r == ')':
			if depth--; depth == 0 {
				return i
			}
		}
	}
	return len(text)
}

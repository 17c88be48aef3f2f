package main

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
)

// docParser looks up what pages say of commands in the parser that the program has.
type docParser struct{ kong *kong.Kong }

func newDocParser(t *testing.T) docParser {
	t.Helper()
	p, err := newParser(&commands{}, io.Discard, io.Discard, func(int) {})
	if err != nil {
		t.Fatal(err)
	}
	return docParser{p}
}

// docCall is a command line, as far as it is written.
type docCall struct {
	node        *kong.Node
	flags       map[string]bool
	positionals int
	open        bool // "…" stands for more
}

// read looks words up that follow the program's name; what is wrong with them comes
// back as text.
func (p docParser) read(words []string) (docCall, string) {
	c := docCall{node: p.kong.Model.Node, flags: map[string]bool{}}
	for i := 0; i < len(words); i++ {
		w := words[i]
		if w == "--" {
			c.positionals += len(words) - i - 1
			break
		}
		if strings.Contains(w, "…") {
			c.open = true
			continue
		}
		if name, long := strings.CutPrefix(w, "--"); long {
			name, _, joined := strings.Cut(name, "=")
			f := flagOf(c.node, name)
			if f == nil {
				return c, fmt.Sprintf("%s has no flag --%s", c.name(), name)
			}
			if c.flags[f.Name] = true; !f.IsBool() && !joined && i+1 < len(words) {
				i++ // its value
				c.open = c.open || strings.Contains(words[i], "…")
			}
			continue
		}
		if child := childOf(c.node, w); child != nil && c.positionals == 0 {
			c.node = child
			continue
		}
		if len(c.node.Children) > 0 && (c.node.DefaultCmd == nil || len(c.node.DefaultCmd.Positional) == 0) {
			return c, fmt.Sprintf("%s has no command %q", c.name(), w)
		}
		c.positionals++
	}
	return c, ""
}

func (c docCall) name() string {
	return strings.TrimSpace("loadscribe " + strings.TrimPrefix(c.node.FullPath(), "loadscribe"))
}

// leaf is the command that is run: of one with commands of its own the default.
func (c docCall) leaf() *kong.Node {
	if len(c.node.Children) > 0 {
		return c.node.DefaultCmd
	}
	return c.node
}

// complete tells whether nothing is missing that the command needs.
func (c docCall) complete() bool {
	n := c.leaf()
	if n == nil || c.open {
		return false
	}
	for _, group := range n.AllFlags(false) {
		for _, f := range group {
			if f.Required && !c.flags[f.Name] {
				return false
			}
		}
	}
	needed := 0
	for _, positional := range n.Positional {
		if positional.Required {
			needed++
		}
	}
	return c.positionals >= needed
}

func childOf(n *kong.Node, name string) *kong.Node {
	for _, c := range n.Children {
		if c.Name == name || slices.Contains(c.Aliases, name) {
			return c
		}
	}
	return nil
}

// flagOf finds a flag of a command, of those above it, and of the one that is run
// where none is named.
func flagOf(n *kong.Node, name string) *kong.Flag {
	nodes := []*kong.Node{n}
	if n.DefaultCmd != nil {
		nodes = append(nodes, n.DefaultCmd)
	}
	for _, n := range nodes {
		for _, group := range n.AllFlags(false) {
			for _, f := range group {
				if f.Name == name || slices.Contains(f.Aliases, name) || f.Tag.Negatable != "" && "no-"+f.Name == name {
					return f
				}
			}
		}
	}
	return nil
}

// parse gives a whole command line to the program's own parser.
func (p docParser) parse(words []string) string {
	context, err := p.kong.Parse(words)
	if err == nil {
		err = valueMissing(context, words)
	}
	if err != nil {
		return err.Error()
	}
	return ""
}

// flagsBelow are the names of all flags of a command and of those below it.
func flagsBelow(n *kong.Node) map[string]bool {
	all := map[string]bool{}
	for _, group := range n.AllFlags(false) {
		for _, f := range group {
			all[f.Name] = true
		}
	}
	for _, c := range n.Children {
		maps.Copy(all, flagsBelow(c))
	}
	return all
}

// callsOf are the command lines of the program in a span, without what stands before
// its name: "loadscribe people list|add" are two. mentioned tells of a span like
// "verify --checkpoint", which leaves the name out.
func (p docParser) callsOf(span string) (calls [][]string, mentioned bool) {
	words := firstOf(simpleCommands(strings.ReplaceAll(span, "|", "\x00")))
	if strings.HasPrefix(span, "loadscribe.exe ") { // a backslash is a part of a path there
		words = strings.Fields(span)
	}
	words = ownWords(words)
	if i := slices.Index(words, "\x00"); i >= 0 { // what is piped further
		words = words[:i]
	}
	if len(words) == 0 {
		return nil, false
	}
	if !isProgram(words[0]) {
		child := childOf(p.kong.Model.Node, words[0])
		if child == nil || len(words) == 1 || !strings.HasPrefix(words[1], "--") && childOf(child, words[1]) == nil {
			return nil, false
		}
		words, mentioned = append([]string{"loadscribe"}, words...), true
	}
	calls = [][]string{nil}
	for _, w := range words[1:] {
		parts := strings.Split(w, "\x00")
		var more [][]string
		for _, c := range calls {
			for _, part := range parts {
				more = append(more, append(slices.Clone(c), part))
			}
		}
		calls = more
	}
	return calls, mentioned
}

func firstOf(commands [][]string) []string {
	if len(commands) != 1 {
		return nil
	}
	return commands[0]
}

// isProgram tells whether a word starts the program.
func isProgram(word string) bool {
	switch word {
	case "loadscribe", "bin/loadscribe", "./loadscribe", "./bin/loadscribe", "loadscribe.exe", `.\loadscribe.exe`:
		return true
	}
	return false
}

// ownWords leaves out what stands before the program's name: sudo, whose user it is,
// and variables of the environment.
func ownWords(words []string) []string {
	if len(words) > 0 && words[0] == "sudo" {
		words = words[1:]
		if len(words) > 1 && words[0] == "-u" {
			words = words[2:]
		}
	}
	for len(words) > 0 && isAssignment(words[0]) {
		words = words[1:]
	}
	return words
}

func isAssignment(word string) bool {
	name, _, ok := strings.Cut(word, "=")
	return ok && name != "" && !strings.ContainsFunc(name, func(r rune) bool {
		return r != '_' && (r < 'A' || r > 'Z') && (r < 'a' || r > 'z') && (r < '0' || r > '9')
	})
}

// TestEveryFlagIsExplained: --help of each command names each of its flags with what
// it is for.
func TestEveryFlagIsExplained(t *testing.T) {
	p := newDocParser(t)
	seen := 0
	var walk func(n *kong.Node)
	walk = func(n *kong.Node) {
		words := strings.Fields(strings.TrimPrefix(n.FullPath(), "loadscribe"))
		help := mustRun(t, append(words, "--help")...)
		if n.Type == kong.CommandNode && strings.TrimSpace(n.Help) == "" {
			t.Errorf("loadscribe %s has no help", strings.Join(words, " "))
		}
		for _, f := range n.Flags {
			seen++
			if f.Help == "" || !strings.Contains(help, "--"+f.Name) {
				t.Errorf("loadscribe %s --help does not explain --%s", strings.Join(words, " "), f.Name)
			}
		}
		for _, positional := range n.Positional {
			if positional.Help == "" {
				t.Errorf("loadscribe %s --help does not explain %s", strings.Join(words, " "), positional.Summary())
			}
		}
		for _, c := range n.Children {
			walk(c)
		}
	}
	walk(p.kong.Model.Node)
	if seen < 100 {
		t.Errorf("%d flags, at least 100 are expected", seen)
	}
}

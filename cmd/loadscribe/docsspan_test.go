//go:build !windows

package main

import (
	"slices"
	"strings"

	"github.com/alecthomas/kong"
)

// span checks what stands between single backquotes: commands, flags and paths.
func (r *docRun) span(s docSpan) {
	calls, mentioned := r.parser.callsOf(s.text)
	for _, words := range calls {
		r.spanCall(s, words, mentioned)
	}
	if strings.HasPrefix(s.text, "--") {
		r.spanFlag(s)
	}
	r.paths(s.line, s.text)
}

// spanCall looks a command up, and runs it where it is whole.
func (r *docRun) spanCall(s docSpan, words []string, mentioned bool) {
	if slices.Contains(words, "COMMAND") {
		return // TestEveryFlagIsExplained asks each for its --help
	}
	r.did("commands looked up")
	call, why := r.parser.read(words)
	if why != "" {
		r.wrong(s.line, "`%s`: %s", s.text, why)
		return
	}
	if mentioned || !call.complete() || len(call.flags)+call.positionals == 0 || strings.Contains(s.text, "loadscribe.exe") {
		return // for a console of Windows it was looked up, and cannot be run here
	}
	if e := r.exception(s.text); e != nil {
		return
	}
	line := "loadscribe"
	for _, w := range words {
		line += " " + quoted(w)
	}
	line = r.standIn(line)
	if why := r.parser.parse(firstOf(simpleCommands(line))[1:]); why != "" {
		r.wrong(s.line, "`%s`: %s", s.text, why)
		return
	}
	r.runLine(s.line, line, exitFine)
}

// quoted is a word as a shell takes it.
func quoted(w string) string {
	if w != "" && !strings.ContainsAny(w, " \t\n\"'\\$`*?[]<>|&;()#~%") {
		return w
	}
	return "'" + strings.ReplaceAll(w, "'", `'\''`) + "'"
}

// spanFlag: a flag that stands alone is one of a command that the row, or the page,
// names.
func (r *docRun) spanFlag(s docSpan) {
	r.did("flags looked up")
	words := strings.Fields(s.text)
	name, _, _ := strings.Cut(strings.TrimPrefix(words[0], "--"), "=")
	var nodes []*kong.Node
	if r.page.name == "README.md" { // names all commands: those of the row count
		for _, o := range r.page.spans {
			if o.row == s.row && s.row != "" {
				nodes = append(nodes, r.named(o.text)...)
			}
		}
	}
	if len(nodes) == 0 {
		for _, o := range r.page.spans {
			nodes = append(nodes, r.named(o.text)...)
		}
	}
	for _, b := range r.page.blocks {
		for _, l := range shellLines(b) {
			for _, words := range simpleCommands(l.text) {
				if words = ownWords(words); len(words) > 1 && isProgram(words[0]) {
					nodes = append(nodes, r.named(words[1])...)
				}
			}
		}
	}
	if slices.ContainsFunc(nodes, func(n *kong.Node) bool { return flagsBelow(n)[name] }) {
		return
	}
	if r.exception(s.text) == nil {
		r.wrong(s.line, "`%s`: no command that is named here has the flag --%s", s.text, name)
	}
}

// named are the commands that a span names.
func (r *docRun) named(span string) (all []*kong.Node) {
	words := ownWords(strings.Fields(span))
	if len(words) > 0 && isProgram(words[0]) {
		words = words[1:]
	}
	if len(words) > 0 {
		first, _, _ := strings.Cut(words[0], "|")
		if n := childOf(r.parser.kong.Model.Node, first); n != nil {
			all = append(all, n)
		}
	}
	return all
}

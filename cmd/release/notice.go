package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"

	"github.com/google/licensecheck"
)

// Notice is a text that must go with a component.
type Notice struct {
	Name string   // of its file in the component, with slashes
	Text string   // of the file
	IDs  []string // SPDX identifiers of the licences in it, sorted; none: it is no licence
}

var (
	noticeName  = regexp.MustCompile(`(?i)^(licen[cs]e|unlicen[cs]e|copying|copyright|notice|patents)s?([.-].*)?$`)
	licenceName = regexp.MustCompile(`(?i)(^|/)(un)?(licen[cs]e|copying)`)
)

// noticesIn reads the texts of a folder, without those below it.
func noticesIn(dir string) (all []Notice, err error) {
	there, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	for _, e := range there {
		if !e.Type().IsRegular() || !noticeName.MatchString(e.Name()) || strings.HasSuffix(e.Name(), ".go") {
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			return nil, err
		}
		all = append(all, Notice{Name: e.Name(), Text: string(text)})
	}
	return all, nil
}

// leastCover is how much of a licence file, in per cent of its words, must be known text.
// What is left are a title and who holds the copyright; the fonts' file tells of its origin.
const leastCover = 85

// allowed are licences that let a binary be passed on with their texts beside it, under our
// own Apache-2.0. Another is looked at by a person before it comes in here.
var allowed = []string{"Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "ISC", "MIT"}

// judge finds the licences of a component, and refuses one that has none, or one that we
// do not know, or that is not allowed.
func judge(c *Component, texts *identified) error {
	licences := 0
	for i := range c.Notices {
		n := &c.Notices[i]
		if !licenceName.MatchString(n.Name) && besides[c.Name] != n.Name {
			continue // notices and grants of patents go with it as they are
		}
		ids, err := texts.of(n.Text)
		if err != nil {
			return fmt.Errorf("%s: %s: %w", c, n.Name, err)
		}
		for _, id := range ids {
			if !slices.Contains(allowed, id) {
				return fmt.Errorf("%s: %s has the licence %s: a person must look at it (allowed in cmd/release)", c, n.Name, id)
			}
		}
		n.IDs = ids
		licences++
	}
	if licences == 0 {
		return fmt.Errorf("%s has no licence text: it cannot be passed on", c)
	}
	return nil
}

// identified are the texts that were looked at: each is in the binary of every target.
type identified struct {
	sync.Mutex
	known map[string]func() ([]string, error) // by text; locked
}

func (i *identified) of(text string) ([]string, error) {
	i.Lock()
	if i.known == nil {
		i.known = map[string]func() ([]string, error){}
	}
	if i.known[text] == nil {
		i.known[text] = sync.OnceValues(func() ([]string, error) { return identify(text) })
	}
	one := i.known[text]
	i.Unlock()
	return one()
}

// identify names the licences of a text by their SPDX identifiers, sorted.
func identify(text string) ([]string, error) {
	cover := licensecheck.Scan([]byte(text))
	if cover.Percent < leastCover {
		return nil, fmt.Errorf("only %.0f %% of the text is of a licence that is known", cover.Percent)
	}
	var ids []string
	for _, m := range cover.Match {
		ids = append(ids, m.ID)
	}
	slices.Sort(ids)
	return slices.Compact(ids), nil
}

// expression is the SPDX expression of all licences of a component (SPDX 2.3, annex D).
func (c *Component) expression() string {
	var ids []string
	for _, n := range c.Notices {
		ids = append(ids, n.IDs...)
	}
	slices.Sort(ids)
	return strings.Join(slices.Compact(ids), " AND ")
}

// holders are the lines of a component's texts that say who holds the copyright.
func (c *Component) holders() (lines []string) {
	for _, n := range c.Notices {
		for line := range strings.Lines(n.Text) {
			if line = strings.TrimSpace(line); holderLine.MatchString(line) && !slices.Contains(lines, line) {
				lines = append(lines, line)
			}
		}
	}
	return lines
}

// holderLine needs a year or a sign: licences speak of copyright notices too.
var holderLine = regexp.MustCompile(`(?i)^(portions )?copyright\s+(\(c\)|©|[12][0-9]{3})`)

// thirdParties is the text that goes with a binary: a list, then every text once.
func thirdParties(source *Source, t Target, parts []Component) string {
	var text strings.Builder
	fmt.Fprintf(&text, "What of others is in loadscribe %s for %s, and under which licences.\n", source.Version, t)
	text.WriteString("loadscribe itself is under the Apache License 2.0: see LICENSE.\n\n")
	var order []string
	users := map[string][]string{}
	for i := range parts {
		c := &parts[i]
		fmt.Fprintf(&text, "%-9s  %s  %s", c.Kind, c, c.expression())
		if c.Part != "" {
			fmt.Fprintf(&text, "  (%s)", c.Part)
		}
		text.WriteString("\n")
		for _, n := range c.Notices {
			if len(users[n.Text]) == 0 {
				order = append(order, n.Text)
			}
			users[n.Text] = append(users[n.Text], c.String()+", "+n.Name)
		}
	}
	for _, n := range order {
		fmt.Fprintf(&text, "\n%s\n%s\n\n%s\n", strings.Repeat("=", 78), strings.Join(users[n], "\n"), strings.TrimRight(strings.ReplaceAll(n, "\r\n", "\n"), "\n"))
	}
	return text.String()
}

//go:build !windows

package main

import (
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// docRoute is a path of the API with the methods and questions that it takes.
type docRoute map[string][]string

func readRoutes(t *testing.T) map[string]docRoute {
	t.Helper()
	var document struct {
		Paths map[string]map[string]struct {
			Parameters []struct {
				Name string `json:"name"`
			} `json:"parameters"`
		} `json:"paths"`
	}
	if err := json.Unmarshal([]byte(readText(t, "dashboard/openapi.json")), &document); err != nil {
		t.Fatal(err)
	}
	all := map[string]docRoute{}
	for path, methods := range document.Paths {
		all[path] = docRoute{}
		for method, m := range methods {
			names := []string{}
			for _, p := range m.Parameters {
				names = append(names, p.Name)
			}
			all[path][strings.ToUpper(method)] = names
		}
	}
	return all
}

// apiPath is a method, a host, a path and a question, of which the path alone must be there.
var apiPath = regexp.MustCompile(`(?:\b(GET|POST) )?(https?://[^/\s]+)?(/api/v1/[a-z0-9/.-]*[a-z0-9])(\?[^\s'"` + "`" + `]*)?`)

// ownHost is a host of which pages speak as the agent's.
var ownHost = regexp.MustCompile(`^https?://(127\.0\.0\.1|localhost|COMPUTER)(:|$)`)

// paths looks up each path of the API that a text names.
func (r *docRun) paths(line int, text string) {
	for _, m := range apiPath.FindAllStringSubmatch(text, -1) {
		if m[2] != "" && !ownHost.MatchString(m[2]) {
			continue // somebody else's, such as an engine's
		}
		r.did("paths looked up")
		route, there := r.routes[m[3]]
		if !there {
			r.wrong(line, "the API has no path %s", m[3])
			continue
		}
		if _, ok := route[m[1]]; m[1] != "" && !ok {
			r.wrong(line, "%s takes no %s", m[3], m[1])
		}
		for _, pair := range strings.FieldsFunc(strings.TrimPrefix(m[4], "?"), func(c rune) bool { return c == '&' }) {
			name, _, _ := strings.Cut(pair, "=")
			if !slices.Contains(route["GET"], name) && name != "…" {
				r.wrong(line, "%s takes no %q", m[3], name)
			}
		}
	}
}

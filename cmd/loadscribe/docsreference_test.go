package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
)

// TestReferencePages holds docs/commands.md to the parser of command lines and docs/api.md
// to the OpenAPI document: every command, argument and flag, every path and question.
// -update writes them anew.
func TestReferencePages(t *testing.T) {
	for name, want := range map[string]string{"commands.md": commandsPage(newDocParser(t)), "api.md": apiPage(t)} {
		path := filepath.Join("..", "..", "docs", name)
		if *update {
			if err := os.WriteFile(path, []byte(want), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if lines, wanted := strings.Split(strings.ReplaceAll(string(got), "\r\n", "\n"), "\n"), strings.Split(want, "\n"); !slices.Equal(lines, wanted) {
			at := 0
			for at < min(len(lines), len(wanted)) && lines[at] == wanted[at] {
				at++
			}
			t.Errorf("docs/%s is not what the program says from line %d on: go test ./cmd/loadscribe -run TestReferencePages -update", name, at+1)
		}
	}
}

// sizeExamples are lines of `loadscribe size`, which no other page explains.
const sizeExamples = "```sh\n" + `loadscribe size leak --hole "1/8 in" --pressure "100 psi" --coefficient 0.65
loadscribe size leak-test --loaded "7.5 min" --other "22.5 min" --capacity "185 cfm"
loadscribe size bleed-down --volume "240 gal" --from "100 psi" --to "75 psi" --over "10 min"
loadscribe size receiver --flow "100 cfm" --for "2 min" --from "125 psi" --to "100 psi"
loadscribe size cycle --volume "240 gal" --band "10 psi" --capacity "185 cfm" --demand "92.5 cfm"
loadscribe size efficiency --flow "5.2 m³/min" --pressure "7 bar" --power "35 kW"
loadscribe size flow --flow "100 scfm" --barometer "12.2 psia" --temperature "100 °F" --humidity "50 %"
` + "```\n\n"

func commandsPage(p docParser) string {
	var b strings.Builder
	b.WriteString(`# Every command, argument and flag

Written from the program itself, and what ` + "`--help`" + ` prints too. The [README](../README.md#commands) says what each command is for, in a row each; what asks
the record takes the same times everywhere: RFC 3339, a local date (an end date includes that day), ` + "`now`" + `, or an age such as ` + "`-7d`" + `.
`)
	var walk func(n *kong.Node)
	walk = func(n *kong.Node) {
		if n.Type == kong.CommandNode {
			commandPart(&b, n)
		}
		for _, c := range n.Children {
			walk(c)
		}
	}
	walk(p.kong.Model.Node)
	return b.String()
}

// cell is a text as a table's cell takes it.
func cell(text string) string {
	return strings.ReplaceAll(strings.Join(strings.Fields(text), " "), "|", `\|`)
}

func commandPart(b *strings.Builder, n *kong.Node) {
	depth := strings.Count(n.FullPath(), " ")
	fmt.Fprintf(b, "\n%s `%s`\n\n%s\n", strings.Repeat("#", depth+1), n.FullPath(), n.Help)
	if n.Detail != "" {
		fmt.Fprintf(b, "\n%s\n", strings.Join(strings.Fields(n.Detail), " "))
	}
	if n.Name == "size" {
		b.WriteString("\n" + sizeExamples[:len(sizeExamples)-1])
	}
	rows := ""
	for _, a := range n.Positional {
		need := ""
		if a.Required {
			need = "required"
		}
		rows += fmt.Sprintf("| %s | %s | %s |\n", cell(a.Summary()), need, cell(a.Help))
	}
	for _, f := range n.Flags {
		if f.Name == "help" {
			continue
		}
		shown, left := "--"+f.Name, ""
		if !f.IsBool() {
			shown += " " + placeholderOf(f)
		}
		switch {
		case f.Required:
			left = "required"
		case f.HasDefault && !f.IsBool() && f.Default != "":
			left = "`" + f.Default + "`"
		}
		rows += fmt.Sprintf("| `%s` | %s | %s |\n", cell(shown), left, cell(f.Help))
	}
	if rows != "" {
		fmt.Fprintf(b, "\n| | left out | |\n| --- | --- | --- |\n%s", rows)
	}
}

// placeholderOf is what stands for a flag's value.
func placeholderOf(f *kong.Flag) string {
	if f.PlaceHolder != "" {
		return strings.ReplaceAll(f.PlaceHolder, "\"", "")
	}
	return strings.ToUpper(strings.ReplaceAll(f.Name, "-", "_"))
}

// apiDocument is what api.md needs of the OpenAPI document.
type apiDocument struct {
	Paths map[string]map[string]struct {
		Summary    string `json:"summary"`
		Parameters []struct {
			Name        string `json:"name"`
			Required    bool   `json:"required"`
			Description string `json:"description"`
		} `json:"parameters"`
		RequestBody *struct {
			Content map[string]struct {
				Schema struct {
					Ref string `json:"$ref"`
				} `json:"schema"`
			} `json:"content"`
		} `json:"requestBody"`
	} `json:"paths"`
}

func apiPage(t *testing.T) string {
	t.Helper()
	var d apiDocument
	if err := json.Unmarshal([]byte(readText(t, "dashboard/openapi.json")), &d); err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	b.WriteString(`# Every path of the API

Written from the contract, the OpenAPI document, which a running agent gives at ` + "`/api/v1/openapi.json`" + ` with every schema. Answers are JSON, versioned by the path; a
refusal is ` + "`{\"error\": {\"message\": …, \"field\": …}}`" + `. A POST has a body of JSON (` + "`Content-Type: application/json`" + `) and needs the right to operate, or the secret of
` + "`agent.json`" + ` in the data directory as a bearer token; those that only compute need the right to look ([sign-in.md](sign-in.md)). Windows are half open; times are
RFC 3339, local dates, ` + "`now`" + `, or ages such as ` + "`-7d`" + `. [replay.md](replay.md#over-the-api) has an example with a job.
`)
	for _, method := range []string{"get", "post"} {
		fmt.Fprintf(&b, "\n## %s\n\n| path | what | asked with |\n| --- | --- | --- |\n", strings.ToUpper(method))
		for _, path := range slices.Sorted(maps.Keys(d.Paths)) {
			r, ok := d.Paths[path][method]
			if !ok {
				continue
			}
			with := []string{}
			for _, q := range r.Parameters {
				text := "`" + q.Name + "`"
				if q.Required {
					text += " (required)"
				}
				if q.Description != "" {
					text += ": " + strings.TrimSuffix(cell(q.Description), ".")
				}
				with = append(with, text)
			}
			if r.RequestBody != nil {
				for _, c := range r.RequestBody.Content {
					if name := c.Schema.Ref[strings.LastIndex(c.Schema.Ref, "/")+1:]; name != "" {
						with = append(with, "a body of `"+name+"`")
					}
				}
			}
			fmt.Fprintf(&b, "| `%s` | %s | %s |\n", path, cell(r.Summary), strings.Join(with, "<br>"))
		}
	}
	return b.String()
}

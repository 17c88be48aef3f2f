package dashboard

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The page's types are made from the document at each build; the file that is
// committed must be of the same document, or a build leaves the tree changed.
// This needs no Node: it compares names and descriptions, not each type.
func TestPageTypesAreOfThisDocument(t *testing.T) {
	text, err := os.ReadFile("web/src/api/types.ts")
	if err != nil {
		t.Fatal(err)
	}
	head := regexp.MustCompile(`(?m)^export (?:type|interface) (\w+)`)
	places := head.FindAllSubmatchIndex(text, -1)
	members := map[string]string{}
	for i, p := range places {
		end := len(text)
		if i+1 < len(places) {
			end = places[i+1][0]
		}
		members[string(text[p[2]:p[3]])] = string(text[p[0]:end])
	}
	const mend = "; run npm run types in dashboard/web and commit src/api/types.ts"
	schemas := readDocument(t).at("components", "schemas")
	for name, s := range schemas {
		body, ok := members[name]
		if !ok {
			t.Errorf("types.ts has no %s%s", name, mend)
			continue
		}
		schema := s.(map[string]any)
		properties, _ := schema["properties"].(map[string]any)
		required, _ := schema["required"].([]any)
		for property, p := range properties {
			mark := "?: "
			if slices.Contains(required, any(property)) {
				mark = ": "
			}
			if !strings.Contains(body, "\n  "+property+mark) {
				t.Errorf("types.ts: %s has no %q%s", name, property+mark, mend)
			}
			says, _ := p.(map[string]any)["description"].(string)
			if says = strings.Join(strings.Fields(says), " "); !strings.Contains(strings.Join(strings.Fields(body), " "), says) {
				t.Errorf("types.ts: %s.%s does not say %q%s", name, property, says, mend)
			}
		}
		delete(members, name)
	}
	delete(members, "Answers") // which path answers with what
	for name := range members {
		t.Errorf("types.ts has %s, the document has not%s", name, mend)
	}
}

package report

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// TestAdviceBeginsWithAStep: the answer page prints an advice's first sentence behind
// "First:", so that it must tell a person what to do and not begin with that word.
func TestAdviceBeginsWithAStep(t *testing.T) {
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	verbs := strings.Fields("Walk Ask Let Find Lower Set Add Take See Be Have Do Look Hold Read")
	advice := regexp.MustCompile(`Advice(?: =|:)\s+say\("(\w+)`)
	n := 0
	for _, f := range files {
		if !strings.HasPrefix(f.Name(), "rules") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		text, err := os.ReadFile(f.Name())
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range advice.FindAllStringSubmatch(string(text), -1) {
			n++
			if !strings.Contains(" "+strings.Join(verbs, " ")+" ", " "+m[1]+" ") {
				t.Errorf("%s: an advice begins with %q, which is no step", f.Name(), m[1])
			}
		}
	}
	if n < len(Rules()) {
		t.Errorf("%d advices found for %d rules", n, len(Rules()))
	}
}

package agent

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestAuditWeekInDocs: docs/audit-week.md goes through the steps of an audit, in their
// order, and names the command of each.
func TestAuditWeekInDocs(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "docs", "audit-week.md"))
	if err != nil {
		t.Fatal(err)
	}
	page := string(text)
	if wrong := auditWeekMistakes(page); len(wrong) > 0 {
		t.Errorf("docs/audit-week.md: %s", strings.Join(wrong, "; "))
	}
	for old, want := range map[string]string{"| `mid_week` |": "steps", "loadscribe test pump-up ": "pump_up"} {
		if wrong := strings.Join(auditWeekMistakes(strings.ReplaceAll(page, old, "| `other` |")), "; "); !strings.Contains(wrong, want) {
			t.Errorf("without %q: %q, want it of %s", old, wrong, want)
		}
	}
}

func auditWeekMistakes(page string) (wrong []string) {
	var listed []string
	for _, row := range regexp.MustCompile("(?m)^\\| `([a-z_]+)` \\|").FindAllStringSubmatch(page, -1) {
		listed = append(listed, row[1])
	}
	if want := auditStepNames(); strings.Join(listed, " ") != strings.Join(want, " ") {
		wrong = append(wrong, "its steps are "+strings.Join(listed, " ")+", an audit's are "+strings.Join(want, " "))
	}
	for i := range auditSteps {
		s := &auditSteps[i]
		command, _, _ := strings.Cut(s.command, " --set ")
		command, _, _ = strings.Cut(command, " --site ")
		if !regexp.MustCompile(`(?m)^\s*(?:sudo )?` + regexp.QuoteMeta(command) + ` .*--site `).MatchString(page + "\n") {
			wrong = append(wrong, s.name+": the page shows no command "+command)
		}
	}
	return wrong
}

//go:build !windows

package main

import (
	"strings"
	"testing"
	"time"
)

// TestDocsRunFindsMistakes breaks what pages show, in one way after another, and wants
// each told at its line: a check that cannot fail proves nothing.
func TestDocsRunFindsMistakes(t *testing.T) {
	if testing.Short() {
		t.Skip("starts processes")
	}
	d := newDocs(t, 2*time.Hour)
	const fence = "```"
	for _, tt := range []struct {
		name, page string
		line       int
		says       string
	}{
		{"sound", "x\n\n" + fence + "sh\nloadscribe check --site site.toml\n" + fence + "\nThe `--json` of `loadscribe check` and `GET /api/v1/series?from=-1d`.", 0, ""},
		{"flag", fence + "sh\nloadscribe check --site site.toml\nloadscribe summary --site site.toml --since -7d\n" + fence, 3, "unknown flag --since"},
		{"command", fence + "sh\nloadscribe sumary --site site.toml\n" + fence, 2, "unexpected argument sumary"},
		{"file", fence + "sh\nloadscribe check --site other.toml\n" + fence, 2, "there is no file other.toml"},
		{"value", fence + "sh\nloadscribe demand --site site.toml --from -1d --step seven\n" + fence, 2, "--step"},
		{"exit code", fence + "sh\nloadscribe check --site site.toml    # exit code 1\n" + fence, 2, "ends with 0, not with 1"},
		{"second program of a line", fence + "sh\nloadscribe check --site site.toml && cmp site.toml maps/power-meter.toml\n" + fence, 2, "ends with 1"},
		{"unknown program", fence + "sh\nrm -r data\n" + fence, 2, `"rm" is run by no test`},
		{"line that goes on", "x\n\n" + fence + "sh\nloadscribe export --site site.toml --from -1h \\\n    --layout broad\n" + fence, 4, "layout"},
		{"inline flag", "Say\n`loadscribe check --sight site.toml` first.", 2, "has no flag --sight"},
		{"inline command", "Say `loadscribe chek`.", 1, "has no command \"chek\""},
		{"inline command below", "Say `loadscribe service begin`.", 1, "has no command \"begin\""},
		{"inline run", "Say `loadscribe check --site nowhere.toml`.", 1, "there is no file nowhere.toml"},
		{"mentioned flag", "`verify --chekpoint` shows it.", 1, "has no flag --chekpoint"},
		{"lone flag", "`loadscribe check`\n\nhas `--jsn`.", 3, "has the flag --jsn"},
		{"lone flag of another command", "`loadscribe check` has `--layout`.", 1, "has the flag --layout"},
		{"table", "| `loadscribe people list\\|ad` | x |", 1, `"ad"`},
		{"windows", fence + "bat\nloadscribe.exe service instal --site C:\\Shop\\site.toml\n" + fence, 2, "instal"},
		{"site key", fence + "toml\n[agent]\nkeep_row = \"400d\"\n" + fence, 2, `unknown key "keep_row"`},
		{"site value", fence + "toml\n[[alarm]]\nname = \"hot\"\non = \"temperature\"\nabove = \"105 psi\"\n" + fence, 2, "above"},
		{"inside key", "<!-- in: machine -->\n" + fence + "toml\nrated_flaw = \"185 cfm\"\n" + fence, 3, `unknown key "rated_flaw"`},
		{"map key", "<!-- in: channel -->\n" + fence + "toml\ntype = \"u17\"\nunit = \"psi\"\n" + fence, 3, `"u17"`},
		{"mapping", fence + "toml\n[[logger]]\nname = \"a\"\nseparater = \";\"\n" + fence, 2, "separater"},
		{"changes", fence + "toml\n[[alternative]]\nname = \"a\"\nsets = { volume = \"1 m³\" }\n" + fence, 2, "sets"},
		{"scenario", "<!-- as: scenario -->\n" + fence + "toml\n[[valve]]\nname = \"v\"\nbehind = \"receiver\"\n" + fence, 3, "behind"},
		{"part of nothing", fence + "toml\nservice = []\n" + fence, 2, "it is not told what this is part of"},
		{"no TOML", fence + "toml\n[agent\n" + fence, 2, "this is no TOML"},
		{"path", "Ask `/api/v1/figurs`.", 1, "the API has no path /api/v1/figurs"},
		{"method", "Ask `POST /api/v1/figures`.", 1, "takes no POST"},
		{"question", "Ask `/api/v1/figures?form=-7d`.", 1, `takes no "form"`},
		{"path in a block", fence + "sh\nprintf http://127.0.0.1:8477/api/v1/figurs\n" + fence, 2, "no path /api/v1/figurs"},
		{"JSON key", "<!-- like: loadscribe check --site site.toml --json -->\n" + fence + "json\n{\"sight\": \"x\"}\n" + fence, 3, `no "sight"`},
		{"JSON kind", "<!-- like: loadscribe check --site site.toml --json -->\n" + fence + "json\n{\"site\": 7}\n" + fence, 3, "not of the kind"},
		{"JSON of nothing", fence + "json\n{\"site\": 7}\n" + fence, 2, "a block of no kind"},
		{"printed", "<!-- like: loadscribe version -->\n" + fence + "text\nloadscribr …\n" + fence, 3, "is no line of what"},
		{"no kind", fence + "\nanything\n" + fence, 2, "a block of no kind"},
		{"held by nothing", "<!-- held: cmd/loadscribe/docs_test.go TestNothing -->\n" + fence + "python\nx = 1\n" + fence, 3, "names no test"},
		{"command in a drawing", "<!-- drawing: cables -->\n" + fence + "text\nloadscribe run --site site.toml\n" + fence, 3, "a drawing has no commands"},
		{"CSV", "<!-- file: made.csv -->\n" + fence + "csv\ndate,count\n2026-03-02\n" + fence, 3, "this is no CSV"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			p, err := readDoc("docs/broken.md", tt.page)
			if err != nil {
				t.Fatal(err)
			}
			found := d.check(t, p)
			switch {
			case tt.says == "" && len(found) > 0:
				t.Errorf("a sound page: %v", found)
			case tt.says != "" && (len(found) != 1 || found[0].line != tt.line || !strings.Contains(found[0].what, tt.says)):
				t.Errorf("got %v, want line %d to say %q", found, tt.line, tt.says)
			}
		})
	}
}

// TestDocsRunListsAreUsed: an entry of the lists that no page has a use for is told.
func TestDocsRunListsAreUsed(t *testing.T) {
	d := &docs{used: map[string]bool{}}
	if got, want := len(d.unused()), len(docExceptions)+len(docStandIns)+len(docFiles); got != want {
		t.Errorf("%d entries are told, want %d", got, want)
	}
	d.use(docExceptions[0].key())
	for _, told := range d.unused() {
		if strings.Contains(told, docExceptions[0].why) {
			t.Errorf("a used entry is told: %s", told)
		}
	}
}

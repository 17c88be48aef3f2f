package main

import (
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// What is to be done, also where only a person can see it, stands with its command and
// its cautions; what is done has neither. Times are the site's: 02:00 UTC is the evening
// before in Chicago.
func TestAuditAsPrinted(t *testing.T) {
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	at := agent.Stamp(time.Date(2026, 3, 3, 2, 0, 0, 0, time.UTC).UnixMilli())
	step := func(name, state string) agent.AuditStep {
		return agent.AuditStep{Step: name, Title: "Step " + name, State: state, Sentence: "How it stands.", Missing: []string{"lacks " + name}, Command: "loadscribe do " + name + " --site FILE",
			Cautions: []string{"hot " + name}, Marks: []agent.AuditSaid{{Time: at, Who: "R. Vale", Text: "seen " + name}}}
	}
	a := &agent.Audit{Sentence: "Two are open.", Begun: &agent.AuditBegun{Time: at, Who: "R. Vale", Ends: at + 86_400_000},
		Steps: []agent.AuditStep{step("a", "missing"), step("b", "unseen"), step("c", "done"), step("d", "waits")}}
	var out strings.Builder
	printAudit(&out, a, &sitefile.Site{Location: chicago}, "shop.toml")
	for _, want := range []string{
		"begun Mon 2026-03-02 20:00 by R. Vale, planned until Tue 2026-03-03 20:00\n",
		"Step a [a]: missing\n  How it stands.\n  - lacks a\n  do it: loadscribe do a --site shop.toml\n  caution: hot a\n  Mon 2026-03-02 20:00, R. Vale: seen a\n",
		"Step b [b]: unseen\n  How it stands.\n  - lacks b\n  do it: loadscribe do b --site shop.toml\n  caution: hot b\n",
		"Step c [c]: done\n  How it stands.\n  Mon 2026-03-02 20:00, R. Vale: seen c\n",
		"Step d [d]: waits\n  How it stands.\n  Mon 2026-03-02 20:00, R. Vale: seen d\n",
	} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in:\n%s", want, out.String())
		}
	}
}

// TestNobodyWritesLinesOfTheirOwn: what a person says stays in its place in a list,
// and a path with a space is one word to the shell.
func TestNobodyWritesLinesOfTheirOwn(t *testing.T) {
	a := &agent.Audit{Sentence: "One.", Steps: []agent.AuditStep{{Step: "a", Title: "Step a", State: "missing", Command: "loadscribe do a --site FILE",
		Marks: []agent.AuditSaid{{Who: "R. Vale", Text: "well\n\nStep a [a]: done"}}}}}
	var out strings.Builder
	printAudit(&out, a, &sitefile.Site{Location: time.UTC}, "the shop/site.toml")
	if !strings.Contains(out.String(), "R. Vale: well /  / Step a [a]: done\n") || !strings.Contains(out.String(), `--site "the shop/site.toml"`) {
		t.Errorf("printed:\n%s", out.String())
	}
	out.Reset()
	l := &agent.Leaks{Sentence: "1 tag.", Method: "choked", Tags: []agent.LeakTag{{Tag: 4, State: "open", FoundBy: "R.\tVale", Place: "hose\n99\topen"}}}
	if err := printLeaks(&out, l, &sitefile.Site{Location: time.UTC, Units: quantity.US}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), "hose / 99 open\n") || strings.Contains(out.String(), "\n99") {
		t.Errorf("printed:\n%s", out.String())
	}
}

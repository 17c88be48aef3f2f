package main

import (
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
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

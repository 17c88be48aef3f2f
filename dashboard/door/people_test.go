package door

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"
)

// Whatever is wrong with people.json, nobody is let in by it, nobody can be set
// up, and it stays as it was.
func TestDamagedPeople(t *testing.T) {
	whole := func() []byte {
		d, _ := openTest(t, newClock())
		text, err := os.ReadFile(filepath.Join(d.o.Dir, peopleFile))
		if err != nil {
			t.Fatal(err)
		}
		return text
	}()
	for name, text := range map[string]string{
		"empty": "", "half": string(whole[:len(whole)/2]), "nothing": "null", "a list": "[]", "zeroes": strings.Repeat("\x00", 400),
		"newer":            strings.Replace(string(whole), `"version": 1`, `"version": 2`, 1),
		"no version":       strings.Replace(string(whole), `"version": 1`, `"version": 0`, 1),
		"unknown key":      strings.Replace(string(whole), `"version": 1`, `"version": 1, "guests": true`, 1),
		"another role":     strings.Replace(string(whole), `"operate"`, `"root"`, 1),
		"a hash too large": strings.Replace(string(whole), "m=19456", "m=4194304", 1),
		"no hash":          strings.Replace(string(whole), "$argon2id", "$plain", 1),
		"an empty name":    strings.Replace(string(whole), "R. Vale", "", 1),
		"two files":        string(whole) + string(whole),
	} {
		dir := t.TempDir()
		path := filepath.Join(dir, peopleFile)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		d := Open(Options{Dir: dir})
		if !errors.Is(d.Damage(), ErrDamaged) {
			t.Errorf("%s: %v, want ErrDamaged", name, d.Damage())
		}
		if name == "newer" && !strings.Contains(d.Damage().Error(), "newer loadscribe") {
			t.Errorf("%s: %v", name, d.Damage())
		}
		if d.NeedsSetUp() {
			t.Errorf("%s: a stranger may become the first person", name)
		}
		if _, err := d.NewCode(); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: a code: %v", name, err)
		}
		if _, err := d.SetUp(t.Context(), "AAAA-BBBB-CCCC", "Thief", goodPassword, network1); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: set-up: %v", name, err)
		}
		if _, err := d.SignIn(t.Context(), "R. Vale", goodPassword, network1); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: sign-in: %v", name, err)
		}
		if err := d.AddOrChange(t.Context(), "x", "Thief", Operate, goodPassword); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: adding: %v", name, err)
		}
		if now, err := os.ReadFile(path); err != nil || string(now) != text {
			t.Errorf("%s: the file is another one (%v)", name, err)
		}
	}
}

// A power cut while people.json is written leaves the one before.
func TestHalfWrittenPeople(t *testing.T) {
	d, _ := openTest(t, newClock())
	if err := os.WriteFile(filepath.Join(d.o.Dir, peopleFile+".new"), []byte(`{"version":1,"peo`), 0o600); err != nil {
		t.Fatal(err)
	}
	again := Open(Options{Dir: d.o.Dir})
	if again.Damage() != nil || again.NeedsSetUp() {
		t.Fatalf("%v", again.Damage())
	}
	mustSignIn(t, again, "R. Vale", goodPassword, network1)
	if err := again.AddOrChange(t.Context(), "x", "Wall", Look, otherPassword); err != nil {
		t.Errorf("the next change: %v", err)
	}
}

// Only the owner may read what is kept, also where a copy was brought back with
// other modes.
func TestModes(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("modes say nothing there: the folder's rights hold")
	}
	dir := filepath.Join(t.TempDir(), "door")
	d := Open(Options{Dir: dir})
	if err := d.AddOrChange(t.Context(), "x", "R. Vale", Operate, goodPassword); err != nil {
		t.Fatal(err)
	}
	if _, err := d.ScrapeToken(false); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenCertificate(CertificateOptions{Dir: dir}); err != nil {
		t.Fatal(err)
	}
	files := []string{"", peopleFile, scrapeFile, certificateFile, keyFile}
	check := func(when string) {
		for _, name := range files {
			want := os.FileMode(0o600)
			if name == "" {
				want = 0o700
			}
			info, err := os.Stat(filepath.Join(dir, name))
			if err != nil {
				t.Fatal(err)
			}
			if got := info.Mode().Perm(); got != want {
				t.Errorf("%s: %q has the mode %o, want %o", when, name, got, want)
			}
		}
	}
	check("new")
	for _, name := range files {
		if err := os.Chmod(filepath.Join(dir, name), 0o777); err != nil {
			t.Fatal(err)
		}
	}
	Open(Options{Dir: dir})
	check("brought back")
}

func TestSetUpCode(t *testing.T) {
	c := newClock()
	fresh := func() *Door { return Open(Options{Dir: t.TempDir(), Now: c.Now}) }
	d := fresh()
	if _, err := d.SetUp(t.Context(), "", "R. Vale", goodPassword, here); !isField(err, "code") {
		t.Errorf("without a code: %v", err)
	}
	code, err := d.NewCode()
	if err != nil || len(code) != 14 {
		t.Fatalf("%q %v", code, err)
	}
	if _, err := d.SetUp(t.Context(), "AAAA-AAAA-AAAA", "R. Vale", goodPassword, here); !isField(err, "code") {
		t.Errorf("a wrong code: %v", err)
	}
	// as a person types it
	token, err := d.SetUp(t.Context(), " "+strings.ToLower(strings.ReplaceAll(code, "-", " ")), "R. Vale", goodPassword, here)
	if err != nil {
		t.Fatal(err)
	}
	if who, _ := d.Use(token); who == nil || who.Role != Operate {
		t.Errorf("the first person: %+v", who)
	}
	if _, err := d.SetUp(t.Context(), code, "Thief", goodPassword, here); !isField(err, "code") {
		t.Errorf("a second time: %v", err)
	}
	if _, err := d.NewCode(); err == nil {
		t.Error("a code where there is a person")
	}

	d = fresh()
	if code, err = d.NewCode(); err != nil {
		t.Fatal(err)
	}
	newer, err := d.NewCode()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.SetUp(t.Context(), code, "R. Vale", goodPassword, here); !isField(err, "code") {
		t.Errorf("the code before: %v", err)
	}
	c.pass(codeLife)
	if _, err := d.SetUp(t.Context(), newer, "R. Vale", goodPassword, here); !isField(err, "code") {
		t.Errorf("after an hour: %v", err)
	}

	d = fresh()
	if code, err = d.NewCode(); err != nil {
		t.Fatal(err)
	}
	for i := range codeTries {
		if _, err := d.SetUp(t.Context(), "AAAA-AAAA-AAAA", "R. Vale", goodPassword, Origin{Address: "192.0.2." + string(rune('0'+i))}); !isField(err, "code") {
			t.Fatalf("wrong try %d: %v", i, err)
		}
	}
	if _, err := d.SetUp(t.Context(), code, "R. Vale", goodPassword, here); !isField(err, "code") {
		t.Errorf("after %d wrong ones: %v", codeTries, err)
	}
	if code, err = d.NewCode(); err != nil {
		t.Fatal(err)
	}
	if _, err := d.SetUp(t.Context(), code, "R. Vale", goodPassword, here); err != nil {
		t.Errorf("a new code: %v", err)
	}
}

// What is changed while no agent runs is told by the next one, once; no event
// holds a password.
func TestChangesAreTold(t *testing.T) {
	dir := t.TempDir()
	d := Open(Options{Dir: dir})
	for _, err := range []error{
		d.AddOrChange(t.Context(), "a local command", "R. Vale", Operate, goodPassword),
		d.AddOrChange(t.Context(), "a local command", "Wall", Look, otherPassword),
		d.AddOrChange(t.Context(), "a local command", "Wall", Operate, ""),
		d.AddOrChange(t.Context(), "R. Vale", "Wall", "", goodPassword),
		d.Remove("a local command", "Wall"),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	e := &told{}
	Open(Options{Dir: dir, Tell: e.tell})
	if got := e.actions(); got != "added added changed changed removed" {
		t.Errorf("told %q", got)
	}
	want := []string{
		"R. Vale may sign in, to operate (by a local command)", "Wall may sign in, to look (by a local command)",
		"Wall may operate from now on (by a local command)", "Wall has a new password (by R. Vale)",
		"Wall may no longer sign in (by a local command)",
	}
	if !slices.Equal(e.texts, want) {
		t.Errorf("told in words %q", e.texts)
	}
	text, err := json.Marshal(e.all)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(text), goodPassword) || strings.Contains(string(text), otherPassword) || strings.Contains(string(text), "argon2") {
		t.Errorf("an event holds a password: %s", text)
	}
	e = &told{}
	if d := Open(Options{Dir: dir, Tell: e.tell}); e.actions() != "" || len(d.People()) != 1 {
		t.Errorf("told again: %q", e.actions())
	}
}

func TestPeopleRules(t *testing.T) {
	c := newClock()
	d, _ := openTest(t, c)
	for name, field := range map[string]string{
		"": "name", " R": "name", "a\r\nSet-Cookie: x": "name", "a\x1b[2J": "name", strings.Repeat("x", 65): "name", "a\u202eb": "name",
	} {
		if err := d.AddOrChange(t.Context(), "x", name, Look, goodPassword); !isField(err, field) {
			t.Errorf("name %q: %v", name, err)
		}
	}
	if err := d.AddOrChange(t.Context(), "x", "Wall", "boss", otherPassword); !isField(err, "role") {
		t.Errorf("a role: %v", err)
	}
	if err := d.AddOrChange(t.Context(), "x", "Wall", Look, ""); !isField(err, "password") {
		t.Errorf("no password: %v", err)
	}
	if err := d.AddOrChange(t.Context(), "x", "r. vale", Look, ""); !errors.Is(err, ErrLastOperator) {
		t.Errorf("the last one made to look: %v", err)
	}
	if err := d.Remove("x", "R. VALE"); !errors.Is(err, ErrLastOperator) {
		t.Errorf("the last one removed: %v", err)
	}
	if err := d.Remove("x", "Nobody"); !errors.Is(err, ErrNobody) {
		t.Errorf("nobody removed: %v", err)
	}
	for i := len(d.People()); i < mostPeople; i++ { // without a hash each, which would take a minute
		d.people.People = append(d.people.People, person{Name: "p" + time.Duration(i).String(), Role: Look, Password: d.people.People[0].Password, hash: d.people.People[0].hash})
	}
	if err := d.AddOrChange(t.Context(), "x", "One more", Look, otherPassword); !isField(err, "name") {
		t.Errorf("one more than %d: %v", mostPeople, err)
	}
}

func TestScrapeToken(t *testing.T) {
	d, e := openTest(t, newClock())
	if d.MayScrape("") || d.MayScrape("x") {
		t.Error("without a token somebody may scrape")
	}
	first, err := d.ScrapeToken(false)
	if err != nil || len(first) != 64 {
		t.Fatalf("%q %v", first, err)
	}
	if again, err := d.ScrapeToken(false); err != nil || again != first {
		t.Errorf("asked again: %q %v", again, err)
	}
	if next := Open(Options{Dir: d.o.Dir}); next.MayScrape(first) {
		t.Error("a Door that was not asked for the token has it")
	} else if same, err := next.ScrapeToken(false); err != nil || same != first || !next.MayScrape(first) {
		t.Errorf("after a restart: %q %v", same, err)
	}
	second, err := d.ScrapeToken(true)
	if err != nil || second == first || d.MayScrape(first) || !d.MayScrape(second) {
		t.Errorf("a new one: %v; the old one counts: %v", err, d.MayScrape(first))
	}
	if who, _ := d.Use(second); who != nil {
		t.Error("the scrape token is a session")
	}
	if !strings.Contains(e.actions(), "scrape-token") {
		t.Errorf("told %q", e.actions())
	}
}

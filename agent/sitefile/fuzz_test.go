package sitefile

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"
)

// checkProblems: an error of this package is always Problems, each with a
// message and, if with a line, a line that the file has.
func checkProblems(t *testing.T, err error, files map[string]string) {
	t.Helper()
	var problems Problems
	if !errors.As(err, &problems) || len(problems) == 0 {
		t.Fatalf("got %v, want problems", err)
	}
	for _, p := range problems {
		lines := strings.Count(files[filepath.ToSlash(p.File)], "\n") + 1
		if p.Message == "" || p.Line > lines || p.Line > 0 && p.Col < 1 {
			t.Fatalf("%+v has no message or lies outside its file of %d lines", p, lines)
		}
	}
}

func FuzzSite(f *testing.F) {
	good := goodFiles()
	f.Add(good[inSite])
	for _, tt := range problemTests {
		if tt.file == inSite {
			f.Add(strings.Replace(good[inSite], tt.old, tt.new, 1))
		}
	}
	for _, s := range []string{strings.Replace(good[inSite], tapLine, goodMail, 1), strings.Replace(good[inSite], tapLine, goodRemote, 1), "", "[a", "a.b.c = 1\n[a.b]\n", "[[line]]\n[line.x]\n", "[[site]]\n[site.x]\n", "line = [[{}]]", "\ufeff", "\xff\xfe"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		files := goodFiles()
		files[inSite] = text
		s, err := load(inSite, Options{}, memory(files))
		if err != nil {
			checkProblems(t, err, files)
			return
		}
		for _, m := range s.Machines {
			for role, id := range m.Roles {
				if _, _, ok := s.Channel(id); !ok {
					t.Fatalf("machine %q, role %s: %q is no channel", m.Name, role, id)
				}
			}
		}
	})
}

func FuzzMap(f *testing.F) {
	good := goodFiles()
	f.Add(good[inMap])
	for _, tt := range problemTests {
		if tt.file == inMap {
			f.Add(strings.Replace(good[inMap], tt.old, tt.new, 1))
		}
	}
	f.Add("addressing = \"reference\"\n[[channel]]\nname = \"a\"\naddress = 465536\ntype = \"u16\"\nabsent = 0xffff\n")
	f.Fuzz(func(t *testing.T, text string) {
		files := map[string]string{
			inSite: "[[line]]\nname='n'\nkind='modbus-tcp'\naddress='h:1'\n[[device]]\nname='d'\nline='n'\nmap='maps/c.toml'\n",
			inMap:  text,
		}
		s, err := load(inSite, Options{}, memory(files))
		if err != nil {
			checkProblems(t, err, files)
			return
		}
		total := 0
		for _, g := range Groups(s) {
			total += len(g.Channels)
			if g.PeriodMS < 50 || g.Name == "" {
				t.Fatalf("group %+v", g)
			}
		}
		for _, c := range s.Devices[0].Map.Channels {
			if int(c.Address)+c.Registers() > 65536 || c.Scale == 0 || c.Unit.Symbol == "" || c.IsBit() && c.Registers() != 1 {
				t.Fatalf("channel %+v", c)
			}
		}
		if total != len(s.Devices[0].Map.Channels) {
			t.Fatalf("%d channels in groups, %d in the map", total, len(s.Devices[0].Map.Channels))
		}
	})
}

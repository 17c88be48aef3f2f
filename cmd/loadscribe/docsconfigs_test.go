package main

import (
	"io/fs"
	"path"
	"path/filepath"
	"testing"

	"loadscribe/agent/intake"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
)

// exampleLoaders are how the examples of configs are loaded, by the pattern of their
// path; the first one that fits counts.
var exampleLoaders = []struct {
	pattern string
	load    func(t *testing.T, path string) error
}{
	{"maps/*.toml", func(_ *testing.T, path string) error { _, err := sitefile.LoadMap(path); return err }},
	{"imports/*.toml", func(_ *testing.T, path string) error { _, err := intake.ReadMapping(path); return err }},
	{"replay/machines.toml", func(_ *testing.T, path string) error { _, err := replay.ReadMachines(path); return err }},
	{"replay/*.toml", func(_ *testing.T, path string) error { _, err := replay.ReadChanges(path); return err }},
	{"*.toml", func(t *testing.T, path string) error {
		mustRun(t, "check", "--site", path)
		return nil
	}},
	// Held by the tests of configs, which play them too.
	{"prometheus/fleet-*.yml", heldElsewhere}, {"prometheus/tests/fleet-*.yml", heldElsewhere},
	{"prometheus/recording.yml", heldElsewhere}, {"prometheus/tests/recording.yml", heldElsewhere},
	{"prometheus/alerts.yml", heldElsewhere}, {"prometheus/tests/alerts*.yml", heldElsewhere},
	{"systemd/loadscribe.service", heldElsewhere}, // by TestExampleUnit of cmd/loadscribe/service
	{"*.go", heldElsewhere},
}

func heldElsewhere(*testing.T, string) error { return nil }

// TestEveryExampleLoads: each file of configs is an example of a kind that is loaded here.
func TestEveryExampleLoads(t *testing.T) {
	const root = "../../configs"
	seen := 0
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		seen++
		rel := filepath.ToSlash(name[len(root)+1:])
		t.Run(rel, func(t *testing.T) {
			for _, l := range exampleLoaders {
				if fits, err := path.Match(l.pattern, rel); err != nil {
					t.Fatal(err)
				} else if fits {
					if err := l.load(t, name); err != nil {
						t.Error(err)
					}
					return
				}
			}
			t.Error("nothing loads this example: name its kind in exampleLoaders")
		})
		return nil
	})
	if err != nil || seen < 25 {
		t.Errorf("%d examples, %v", seen, err)
	}
}

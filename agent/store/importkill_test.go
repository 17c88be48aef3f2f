package store

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestKilledWhileImporting kills an importing process at random moments. The
// store is the old one or the new one, and nothing tells of damage.
func TestKilledWhileImporting(t *testing.T) {
	kills := 12
	if os.Getenv(longEnv) != "" {
		kills = 200
	}
	if testing.Short() {
		kills = 3
	}
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	base, before := recordedBefore(t)
	whole := len(imported(importedByChild))
	r := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 2))
	olds, news := 0, 0
	for i := range kills {
		dir := filepath.Join(t.TempDir(), "data")
		had := 0
		if i%3 > 0 {
			had = len(before.Scans)
			if err := os.CopyFS(dir, os.DirFS(base)); err != nil {
				t.Fatal(err)
			}
		}
		runAndKillArg(t, exe, importEnv, dir, time.Duration(r.IntN(150))*time.Millisecond, true)
		s, err := OpenReadOnly(dir, Options{})
		n := 0
		if err == nil {
			n = len(readEverything(t, s).Scans)
			err = s.Close()
		} else if errors.Is(err, ErrNoStore) && had == 0 {
			err = nil
		}
		switch {
		case err != nil:
			t.Fatalf("kill %d: %v", i, err)
		case n == had:
			olds++
		case n == had+whole:
			news++
		default:
			t.Fatalf("kill %d: %d scans, want %d or %d", i, n, had, had+whole)
		}
		if s, err = Open(dir, Options{Clock: newTestClock()}); err != nil {
			t.Fatalf("kill %d: %v", i, err)
		}
		if events := damageEvents(t, s); len(events) > 0 {
			t.Errorf("kill %d: %q", i, events)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		checkIntegrity(t, dir)
		if _, err := os.Stat(filepath.Join(dir, sideDir)); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("kill %d: %s is still there", i, sideDir)
		}
	}
	t.Logf("%d kills: %d times the old store, %d times the new one", kills, olds, news)
}

const (
	importEnv       = "LOADSCRIBE_STORE_IMPORT"
	importedByChild = 900
)

// importMain imports until it is killed or done.
func importMain(dir string) {
	fmt.Println("begin")
	if _, err := tryImport(dir, imported(importedByChild), 0, true); err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	time.Sleep(time.Minute)
}

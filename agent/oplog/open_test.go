package oplog

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// TestJournal holds the lines to sd-daemon(3), systemd 252: "<3>" SD_ERR, "<4>" SD_WARNING,
// "<5>" SD_NOTICE, "<6>" SD_INFO. A value with a line break cannot make a line of its own.
func TestJournal(t *testing.T) {
	var out buffer
	log, shut, err := Open(Options{Stderr: &out, Journal: true})
	if err != nil {
		t.Fatal(err)
	}
	log.Error("the store takes nothing", "err", errors.New("full"))
	log.With("line", "bus").Warn("line down")
	log.Log(t.Context(), Notice, "recording")
	log.Info("device answers", "detail", "a\n<2>b")
	log.Debug("nobody asked for this")
	if err := shut(); err != nil {
		t.Fatal(err)
	}
	compare(t, out.lines(), `<3>msg="the store takes nothing" err=full`, `<4>msg="line down" line=bus`, `<5>msg=recording`,
		`<6>msg="device answers" detail="a\n<2>b"`)
}

// TestSystem: warnings, errors and notices reach the system's event log, as plain text.
func TestSystem(t *testing.T) {
	var got []string
	log, shut, err := Open(Options{System: func(level slog.Level, text string) { got = append(got, level.String()+": "+text) }})
	if err != nil {
		t.Fatal(err)
	}
	log.Info("of no interest there")
	log.Log(t.Context(), Notice, "recording", "site", "Harrow Lane")
	log.Warn("line down", "line", "bus")
	log.Error("stopping")
	if err := shut(); err != nil {
		t.Fatal(err)
	}
	compare(t, got, `INFO+2: msg=recording site="Harrow Lane"`, `WARN: msg="line down" line=bus`, `ERROR: msg=stopping`)
}

// TestFileComesBack: while the file cannot be written the other place says so once, and
// once it can, how many lines were lost.
func TestFileComesBack(t *testing.T) {
	blocked := filepath.Join(t.TempDir(), "log")
	if err := os.WriteFile(blocked, nil, 0o600); err != nil { // a file where the folder should be
		t.Fatal(err)
	}
	path := filepath.Join(blocked, "l.log")
	var out buffer
	synctest.Test(t, func(t *testing.T) {
		log, shut, err := Open(Options{Stderr: &out, File: path})
		if err != nil {
			t.Fatal(err)
		}
		log.Info("one")
		synctest.Wait()
		log.Info("two")
		synctest.Wait()
		if err := os.Remove(blocked); err != nil {
			t.Fatal(err)
		}
		time.Sleep(openAgain + time.Second)
		log.Info("three")
		synctest.Wait()
		if err := shut(); err != nil {
			t.Error(err)
		}
	})
	said := strings.Join(out.lines(), "\n")
	for _, want := range []string{"msg=one", "the log cannot be written\" path=" + path, "msg=two", "msg=three", "lost=3"} {
		if strings.Count(said, want) != 1 { // lost: one, its warning, two
			t.Errorf("%q is not said once in\n%s", want, said)
		}
	}
	if text, err := os.ReadFile(path); err != nil || !strings.Contains(string(text), "msg=three") || strings.Contains(string(text), "msg=two") {
		t.Errorf("the file has %q (%v)", text, err)
	}
}

func TestFileIsADirectory(t *testing.T) {
	if _, _, err := Open(Options{File: t.TempDir()}); !errors.Is(err, ErrFile) || !strings.Contains(err.Error(), "--log") {
		t.Errorf("got %v", err)
	}
}

// TestAPlaceThatHangs: who logs never waits for a terminal or a disk that takes nothing;
// the others get every line, and closing takes its budget and no longer.
func TestAPlaceThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const n, apart = 3 * placeLines, 7 * time.Second
		hangs, began := make(chan struct{}), time.Now()
		var fine buffer
		log, shut, err := Open(Options{Stderr: &fine, System: func(slog.Level, string) { <-hangs }})
		if err != nil {
			t.Fatal(err)
		}
		for i := range n {
			log.Warn("line down", "line", fmt.Sprint(i%10))
			time.Sleep(apart) // ten lines take longer than a minute: each is written
		}
		synctest.Wait()
		if waited := time.Since(began) - n*apart; waited != 0 {
			t.Errorf("logging waited %v", waited)
		}
		if got := len(fine.lines()); got != n {
			t.Errorf("the other place has %d lines, want %d", got, n)
		}
		began = time.Now()
		err = shut()
		if !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "event log") || time.Since(began) != closeBudget {
			t.Errorf("closed with %v after %v", err, time.Since(began))
		}
		close(hangs) // the goroutine left behind ends
		synctest.Wait()
	})
}

// TestLostLinesAreCounted: what finds no room is counted, and told once writing goes on.
func TestLostLinesAreCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const more = 7
		hangs, written := make(chan struct{}), 0
		p := newPlace("a terminal", func(line) error { <-hangs; written++; return nil })
		var told []string
		p.troubled = func(_ slog.Level, what string, args ...any) { told = append(told, what+fmt.Sprint(args...)) }
		p.start()
		p.put(slog.LevelInfo, []byte("in the terminal\n"))
		synctest.Wait()
		for range placeLines + more {
			p.put(slog.LevelInfo, []byte("waits\n"))
		}
		close(hangs)
		if err := p.close(t.Context()); err != nil || written != placeLines+1 {
			t.Errorf("%d lines written, want %d; %v", written, placeLines+1, err)
		}
		if len(told) != 1 || !strings.Contains(told[0], fmt.Sprint("lost", more)) {
			t.Errorf("told %q", told)
		}
	})
}

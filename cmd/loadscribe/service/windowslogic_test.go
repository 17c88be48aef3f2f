package service

import (
	"context"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// TestServiceSID: the identifier of NT SERVICE\TrustedInstaller, which is the same on every
// Windows and printed in Microsoft's documentation of well-known files' owners (from memory).
func TestServiceSID(t *testing.T) {
	const want = "S-1-5-80-956008885-3418522649-1831038044-1853292631-2271478464"
	for _, name := range []string{"TrustedInstaller", "trustedinstaller"} {
		if got := serviceSID(name); got != want {
			t.Errorf("%s: %s, want %s", name, got, want)
		}
	}
}

func TestDataSDDL(t *testing.T) {
	got := dataSDDL("TrustedInstaller")
	if want := "D:P(A;OICI;FA;;;SY)(A;OICI;FA;;;BA)(A;OICI;FA;;;S-1-5-80-956008885-3418522649-1831038044-1853292631-2271478464)"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	for _, everybody := range []string{";WD)", ";BU)", ";AU)", ";IU)"} { // Everyone, Users, Authenticated, Interactive
		if strings.Contains(got, everybody) {
			t.Errorf("%s lets others in", got)
		}
	}
}

// TestWindowsArgument: the table of examples in Microsoft's "Parsing C command-line
// arguments" (from memory), the other way round, and paths with blanks.
func TestWindowsArgument(t *testing.T) {
	for _, c := range []struct{ is, want string }{
		{`abc`, `abc`}, {`a b c`, `"a b c"`}, {`ab"c`, `"ab\"c"`}, {`\`, `\`}, {`a\\b`, `a\\b`}, {`de fg`, `"de fg"`}, {`a\"b`, `"a\\\"b"`},
		{`a\\b c`, `"a\\b c"`}, {`ends in \ and blank\`, `"ends in \ and blank\\"`}, {``, `""`}, {`C:\Air Data\site.toml`, `"C:\Air Data\site.toml"`},
	} {
		if got := windowsArgument(c.is); got != c.want {
			t.Errorf("%s: %s, want %s", c.is, got, c.want)
		}
	}
	got := windowsCommandLine(`C:\Program Files\loadscribe\loadscribe.exe`, (&Plan{Site: `C:\Air\site.toml`, Data: `C:\Air\data`}).windowsRun()...)
	if want := `"C:\Program Files\loadscribe\loadscribe.exe" run --site C:\Air\site.toml --log C:\Air\data\log\loadscribe.log`; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestRestarts(t *testing.T) {
	want := []time.Duration{5 * time.Second, 30 * time.Second, 5 * time.Minute}
	if got := restarts(); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// TestServe plays a service's life with a manager that listens: starting for longer than a
// checkpoint, running, a stop that takes time, in order and never silent for longer than
// it said.
func TestServe(t *testing.T) {
	stop, told := make(chan struct{}), make(chan report, 100)
	ended := make(chan ending, 1)
	go func() {
		ended <- serve(t.Context(), stop, func(r report) { told <- r }, func(ctx context.Context, notify Notify) int {
			<-time.After(3 * checkpointEvery)
			if err := notify(Ready, "STATUS=x"); err != nil {
				t.Error(err)
			}
			<-ctx.Done()
			<-time.After(3 * checkpointEvery)
			return 3
		})
	}()
	next := func(want phase) report {
		t.Helper()
		select {
		case r := <-told:
			if r.phase != want {
				t.Fatalf("told phase %d, want %d", r.phase, want)
			}
			return r
		case <-time.After(10 * time.Second):
			t.Fatal("nothing was told")
		}
		return report{}
	}
	for i := range uint32(3) { // the first, and two that it goes on
		if r := next(phaseStarting); r.checkpoint != i || r.hint < 2*checkpointEvery {
			t.Errorf("starting: %+v, want checkpoint %d", r, i)
		}
	}
	r := <-told
	for r.phase == phaseStarting { // a slow computer may tell more
		r = <-told
	}
	if r.phase != phaseRunning || r.checkpoint != 0 {
		t.Fatalf("told %+v, want that it runs", r)
	}
	close(stop)
	for i := range uint32(3) {
		if r := next(phaseStopping); r.checkpoint != i || r.hint < 2*checkpointEvery {
			t.Errorf("stopping: %+v, want checkpoint %d", r, i)
		}
	}
	// Windows starts a service anew whose code is not 0: not one that somebody stopped.
	if end := <-ended; end.code != 3 || end.told() != 0 {
		t.Errorf("it ended as %+v, told %d, want 3, told 0", end, end.told())
	}
}

// TestServeFails: one that ends by itself is told by its code, so that it is started anew.
func TestServeFails(t *testing.T) {
	end := serve(t.Context(), make(chan struct{}), func(report) {}, func(context.Context, Notify) int { return 1 })
	if end.code != 1 || end.told() != 1 {
		t.Errorf("it ended as %+v, told %d, want 1", end, end.told())
	}
}

// TestServeHangs: a stop that hangs is given up, and the manager hears all the time that it
// goes on.
func TestServeHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		stop, free := make(chan struct{}), make(chan struct{})
		close(stop)
		began, heard := time.Now(), 0
		end := serve(t.Context(), stop, func(r report) {
			if r.phase == phaseStopping {
				heard++
			}
		}, func(context.Context, Notify) int {
			<-free
			return 0
		})
		if took := time.Since(began); took != stopLimit || end.code != 1 || end.told() != 0 || heard < 39 {
			t.Errorf("given up after %v as %+v, %d reports", took, end, heard)
		}
		close(free)
	})
}

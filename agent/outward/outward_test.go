package outward

import (
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// TestSaid: what another side says is shown on one short line, without what could
// move a terminal's cursor or turn the direction of writing round, and without the
// secrets that it may repeat.
func TestSaid(t *testing.T) {
	for text, want := range map[string]string{
		"no\r\n\x1b[2Jentry ":    "no   [2Jentry",
		"key hush-hush\u202e is": "key (secret)  is",
		"bad \xff byte":          "bad   byte",
	} {
		if got := Without(text, "", "hush-hush"); got != want {
			t.Errorf("%q: got %q, want %q", text, got, want)
		}
	}
	if got := Without(strings.Repeat("ü", 1000)); len(got) > mostSaid || !utf8.ValidString(got) || !strings.HasSuffix(got, "ü…") {
		t.Errorf("a long text becomes %q", got)
	}
}

// TestHidden: every part of an address that is long enough to be a secret.
func TestHidden(t *testing.T) {
	u, err := url.Parse("https://board.example/hooks/s%20ecret/x?key=hush-hush&a=b")
	if err != nil {
		t.Fatal(err)
	}
	got := Hidden(u)
	for _, want := range []string{"/hooks/s%20ecret/x?key=hush-hush&a=b", "s%20ecret", "s ecret", "hush-hush"} {
		if !slices.Contains(got, want) {
			t.Errorf("%q is shown; hidden are %q", want, got)
		}
	}
	if slices.Contains(got, "x") || slices.Contains(got, "hooks") {
		t.Errorf("short words are hidden: %q", got)
	}
}

// TestRetryAfter: both forms of RFC 9110, section 10.2.3.
func TestRetryAfter(t *testing.T) {
	now := time.Date(2026, 11, 30, 6, 0, 0, 0, time.UTC)
	for text, want := range map[string]time.Duration{
		"120": 2 * time.Minute, "Mon, 30 Nov 2026 06:01:30 GMT": 90 * time.Second, "0": 0, "": 0, "soon": 0, "-1": 0,
		"Mon, 30 Nov 2026 05:00:00 GMT": 0, "86400": time.Hour, "Tue, 01 Dec 2026 06:00:00 GMT": time.Hour, "99999999999999999999": 0,
	} {
		if got := RetryAfter(text, now, time.Hour); got != want {
			t.Errorf("%q: got %v, want %v", text, got, want)
		}
	}
}

// TestFolders: no two names share a folder, on a disk that does not tell large
// letters either.
func TestFolders(t *testing.T) {
	seen := map[string]string{}
	for _, name := range []string{"a", "A", "to-a", "hex-61", "../a", "a b", "ä", "", "a/b", "con"} {
		folder := strings.ToLower(FolderOf(name))
		if other, both := seen[folder]; both || strings.ContainsAny(folder, "/\\. ") {
			t.Errorf("%q and %q: folder %q", name, other, folder)
		}
		seen[folder] = name
	}
}

package door

import (
	"context"
	"encoding/hex"
	"errors"
	"os/exec"
	"strings"
	"sync"
	"testing"

	"loadscribe/testdata/peers"
)

// The vectors of the reference implementation (phc-winner-argon2, src/test.c, the
// part on argon2id, version 0x13). RFC 9106's own (section 5.3) has a secret and
// associated data, which golang.org/x/crypto does not take.
func TestArgon2Vectors(t *testing.T) {
	for _, tt := range []struct {
		p              parameters
		password, salt string
		want           string
	}{
		{parameters{65536, 2, 1}, "password", "somesalt", "09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7"},
		{parameters{256, 2, 1}, "password", "somesalt", "9dfeb910e80bad0311fee20f9c0e2b12c17987b4cac90c2ef54d5b3021c68bfe"},
		{parameters{256, 2, 2}, "password", "somesalt", "6d093c501fd5999645e0ea3bf620d7b8be7fd2db59c20d9fff9539da2bf57037"},
		{parameters{65536, 2, 1}, "differentpassword", "somesalt", "0b84d652cf6b0c4beaef0dfe278ba6a80df6696281d7e0d2891b817d8c458fde"},
		{parameters{65536, 2, 1}, "password", "diffsalt", "bdf32b05ccc42eb15d58fd19b1f856b113da1e9a5874fdcc544308565aa8141c"},
	} {
		if got := hex.EncodeToString(tag(tt.p, tt.password, []byte(tt.salt))); got != tt.want {
			t.Errorf("%+v %q %q: %s, want %s", tt.p, tt.password, tt.salt, got, tt.want)
		}
	}
	// as the reference implementation's command writes the first of them
	want := "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	p := parameters{65536, 2, 1}
	if got := encode(p, []byte("somesalt"), tag(p, "password", []byte("somesalt"))); got != want {
		t.Errorf("written as %s, want %s", got, want)
	}
}

// Debian's libargon2, the reference implementation in C, finds that a hash of ours
// is the password's, and not another's.
func TestArgon2Peer(t *testing.T) {
	const verify = `
import ctypes, ctypes.util, sys
lib = ctypes.CDLL(ctypes.util.find_library("argon2") or "libargon2.so.1")
lib.argon2id_verify.restype = ctypes.c_int
kept, password = sys.stdin.buffer.read().split(b"\n", 1)
print(lib.argon2id_verify(kept, password, ctypes.c_size_t(len(password))))
`
	python, err := exec.LookPath("/usr/bin/python3")
	if err == nil {
		err = exec.Command(python, "-c", `import ctypes; ctypes.CDLL("libargon2.so.1")`).Run()
	}
	if err != nil {
		peers.Missing(t, "the independent peer libargon2 is not there (see .ci/peers): %v", err)
	}
	for _, password := range []string{goodPassword, "Späti für zwölf Öre", "ten blanks          "} {
		kept, err := newHashing().make(t.Context(), password)
		if err != nil {
			t.Fatal(err)
		}
		for tried, want := range map[string]string{password: "0", password + "x": "-35"} { // ARGON2_OK, ARGON2_VERIFY_MISMATCH
			cmd := exec.Command(python, "-c", verify)
			cmd.Stdin = strings.NewReader(kept + "\n" + tried)
			out, err := cmd.CombinedOutput()
			if got := strings.TrimSpace(string(out)); err != nil || got != want {
				t.Errorf("%q against %s: %s (%v), want %s", tried, kept, got, err, want)
			}
		}
	}
}

func TestPasswordRules(t *testing.T) {
	for password, want := range map[string]string{
		goodPassword: "", "zwölf Öre für": "", "correct horse battery": "", strings.Repeat("ab cdefghi", 20): "",
		"":                             "at least 10",
		"nine char":                    "at least 10",
		strings.Repeat("ab cdefg", 26): "at most 200",
		"the R. Vale of old":           "must not contain the name",
		"R. VALE IN CAPITALS":          "must not contain the name",
		"my loadscribe login":          "name of this program",
		"aaaaaaaaaaaa":                 "first that are tried",
		"1234567890":                   "first that are tried",
		"9876543210":                   "first that are tried",
		"qwertyuiop":                   "first that are tried",
		"Password1234":                 "first that are tried",
		"admin-admin-1":                "first that are tried",
		"not \xff text at all":         "UTF-8",
	} {
		err := checkPassword("password", "R. Vale", password)
		switch {
		case want == "" && err != nil:
			t.Errorf("%q is refused: %v", password, err)
		case want != "" && (!isField(err, "password") || !strings.Contains(err.Error(), want)):
			t.Errorf("%q: %v, want %q", password, err, want)
		}
	}
}

// Two hashes at once, eight wait, the rest is refused at once.
func TestHashingIsBounded(t *testing.T) {
	h := newHashing()
	hold, held := make(chan struct{}), make(chan struct{}, 100)
	var done sync.WaitGroup
	for range hashesAtOnce {
		done.Go(func() {
			if err := h.do(t.Context(), func() { held <- struct{}{}; <-hold }); err != nil {
				t.Error(err)
			}
		})
	}
	for range hashesAtOnce {
		<-held
	}
	waiting, give := context.WithCancel(t.Context())
	errs := make(chan error, mostWaiting)
	for range mostWaiting {
		go func() { errs <- h.do(waiting, func() { held <- struct{}{} }) }()
	}
	for h.waiting.Load() < hashesAtOnce+mostWaiting {
	}
	if err := h.do(t.Context(), func() { t.Error("one too many was computed") }); !errors.Is(err, ErrBusy) {
		t.Errorf("one too many: %v, want ErrBusy", err)
	}
	if len(held) != 0 {
		t.Errorf("%d more than %d at once", len(held), hashesAtOnce)
	}
	give() // those who wait have gone away
	for range mostWaiting {
		if err := <-errs; !errors.Is(err, context.Canceled) {
			t.Errorf("who waited: %v", err)
		}
	}
	close(hold)
	done.Wait()
	if err := h.do(t.Context(), func() {}); err != nil {
		t.Errorf("afterwards: %v", err)
	}
}

func TestHashesFromADamagedFile(t *testing.T) {
	good, err := newHashing().make(t.Context(), goodPassword)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := decode(good); err != nil {
		t.Fatalf("%s: %v", good, err)
	}
	for _, bad := range []string{
		"", "$", good[:len(good)-3], strings.Replace(good, "argon2id", "argon2i", 1), strings.Replace(good, "v=19", "v=16", 1),
		strings.Replace(good, "m=19456", "m=4194304", 1), strings.Replace(good, "m=19456", "m=1", 1), strings.Replace(good, "t=4", "t=0", 1),
		strings.Replace(good, "t=4", "t=4000000", 1), strings.Replace(good, "p=1", "p=0", 1), strings.Replace(good, "p=1", "p=200", 1),
		"$argon2id$v=19$m=19456,t=4,p=1$$", strings.Replace(good, "m=19456", "m=99999999999999999999", 1),
	} {
		if h, err := decode(bad); err == nil {
			t.Errorf("%q was taken: %+v", bad, h.parameters)
		}
	}
}

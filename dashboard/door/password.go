package door

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"runtime/debug"
	"strconv"
	"strings"
	"sync/atomic"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"
)

// Bounds of a password, in characters. The least is more than the 8 that NIST
// SP 800-63B asks for; there are no rules of composition, as it says.
const (
	leastPassword = 10
	mostPassword  = 200
)

// parameters are those of argon2id (RFC 9106).
type parameters struct {
	memoryKiB uint32
	passes    uint32
	lanes     uint8
}

// ownParameters: RFC 9106 recommends 64 MiB where memory is scarce, which two at
// once would make four times what the whole agent takes. 19 MiB with one lane is
// what OWASP's cheat sheet gives for two passes (from memory); twice the passes
// make up for a slow attacker's patience.
var ownParameters = parameters{memoryKiB: 19 << 10, passes: 4, lanes: 1}

// Bounds of parameters that are read from people.json, lest a damaged file take
// all memory.
const (
	mostMemoryKiB = 64 << 10
	mostPasses    = 16
	mostLanes     = 8
	tagBytes      = 32
	saltBytes     = 16
)

// checkPassword says what is wrong with a new password.
func checkPassword(field, name, password string) error {
	switch n := utf8.RuneCountInString(password); {
	case !utf8.ValidString(password):
		return wrong(field, "the password is not text in UTF-8")
	case n < leastPassword:
		return wrong(field, "a password has at least %d characters; several words are easy to keep in mind", leastPassword)
	case n > mostPassword:
		return wrong(field, "a password has at most %d characters", mostPassword)
	}
	small := strings.ToLower(password)
	if strings.Contains(small, strings.ToLower(name)) {
		return wrong(field, "the password must not contain the name")
	}
	if strings.Contains(small, "loadscribe") {
		return wrong(field, "the password must not contain the name of this program")
	}
	if simple(small) {
		return wrong(field, "that password is among the first that are tried: take several words")
	}
	return nil
}

// simple reports what NIST SP 800-63B calls repetitive, sequential or commonly
// used: few different characters, a run of the keyboard or the alphabet, or the
// usual word with something behind it.
func simple(small string) bool {
	different := map[rune]bool{}
	for _, r := range small {
		different[r] = true
	}
	if len(different) < 5 {
		return true
	}
	for _, run := range []string{"abcdefghijklmnopqrstuvwxyz", "01234567890123456789", "98765432109876543210", "qwertyuiopasdfghjklzxcvbnm", "qwertzuiopasdfghjklyxcvbnm"} {
		if strings.Contains(run, small) {
			return true
		}
	}
	rest := small
	for _, word := range []string{"password", "passwort", "administrator", "admin", "compressor", "welcome", "letmein", "qwerty", "secret", "test"} {
		rest = strings.ReplaceAll(rest, word, "")
	}
	return strings.Trim(rest, "0123456789!?.-_ ") == ""
}

// hashing bounds how many hashes are computed at once, and how many may wait.
type hashing struct {
	slots   chan struct{}
	waiting atomic.Int32
}

const (
	hashesAtOnce = 2
	mostWaiting  = 8
)

func newHashing() *hashing { return &hashing{slots: make(chan struct{}, hashesAtOnce)} }

// do calls fn when its turn comes. It fails with ErrBusy where too many wait.
func (h *hashing) do(ctx context.Context, fn func()) error {
	if h.waiting.Add(1) > mostWaiting+hashesAtOnce {
		h.waiting.Add(-1)
		return ErrBusy
	}
	defer h.waiting.Add(-1)
	select {
	case h.slots <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	fn()
	<-h.slots
	if h.waiting.Load() == 1 { // the memory of a hash is most of what an agent takes
		debug.FreeOSMemory()
	}
	return nil
}

// make returns a password's hash as the reference implementation writes it.
func (h *hashing) make(ctx context.Context, password string) (text string, err error) {
	salt := make([]byte, saltBytes)
	rand.Read(salt) // never fails: see its documentation
	err = h.do(ctx, func() { text = encode(ownParameters, salt, tag(ownParameters, password, salt)) })
	return text, err
}

// fits reports whether the hash is the password's.
func (h *hashing) fits(ctx context.Context, password string, kept *hash) (ok bool, err error) {
	err = h.do(ctx, func() {
		ok = subtle.ConstantTimeCompare(tag(kept.parameters, password, kept.salt), kept.tag) == 1
	})
	return ok, err
}

func tag(p parameters, password string, salt []byte) []byte {
	return argon2.IDKey([]byte(password), salt, p.passes, p.memoryKiB, p.lanes, tagBytes)
}

// hash is a kept password taken apart.
type hash struct {
	parameters
	salt, tag []byte
}

// nobodys is the hash that an unknown name is held against, so that it takes the
// same work.
func nobodys() *hash {
	return &hash{ownParameters, make([]byte, saltBytes), make([]byte, tagBytes)}
}

func encode(p parameters, salt, tag []byte) string {
	b := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, p.memoryKiB, p.passes, p.lanes, b.EncodeToString(salt), b.EncodeToString(tag))
}

// decode takes a kept password apart.
func decode(text string) (*hash, error) {
	parts := strings.Split(text, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != "v="+strconv.Itoa(argon2.Version) {
		return nil, fmt.Errorf("no hash of argon2id, version %d", argon2.Version)
	}
	var h hash
	if n, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &h.memoryKiB, &h.passes, &h.lanes); err != nil || n != 3 {
		return nil, fmt.Errorf("argon2id parameters %q", parts[3])
	}
	if h.memoryKiB < 8*uint32(h.lanes) || h.memoryKiB > mostMemoryKiB || h.passes < 1 || h.passes > mostPasses || h.lanes < 1 || h.lanes > mostLanes {
		return nil, fmt.Errorf("argon2id parameters %q are out of bounds", parts[3])
	}
	var err error
	if h.salt, err = base64.RawStdEncoding.DecodeString(parts[4]); err != nil || len(h.salt) < 8 {
		return nil, fmt.Errorf("argon2id salt %q", parts[4])
	}
	if h.tag, err = base64.RawStdEncoding.DecodeString(parts[5]); err != nil || len(h.tag) != tagBytes {
		return nil, fmt.Errorf("argon2id tag of %d bytes", len(h.tag))
	}
	return &h, nil
}

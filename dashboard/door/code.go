package door

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"strings"
	"time"
)

const (
	codeLife  = time.Hour
	codeTries = 10
	// codeLetters are 32, none of which is easily taken for another: 12 of them
	// are 60 bits.
	codeLetters = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
	codeLength  = 12
)

// setUpCode lets the first person in, once.
type setUpCode struct {
	sum   [32]byte // of the code; zero: there is none
	until time.Time
	tries int
}

// newCode makes a code like "7KQ2-M3XA-9PLD".
func newCode(now time.Time) (string, setUpCode) {
	random := make([]byte, codeLength)
	rand.Read(random) // never fails: see its documentation
	var text strings.Builder
	for i, b := range random {
		if i > 0 && i%4 == 0 {
			text.WriteByte('-')
		}
		text.WriteByte(codeLetters[b%32]) // 256 is a multiple of 32
	}
	return text.String(), setUpCode{sum: sumOf(text.String()), until: now.Add(codeLife)}
}

// sumOf is taken of a code as a person may type it: case, blanks and dashes do
// not matter.
func sumOf(code string) [32]byte {
	plain := strings.Map(func(r rune) rune {
		if r == '-' || r == ' ' {
			return -1
		}
		return r
	}, strings.ToUpper(code))
	return sha256.Sum256([]byte(plain))
}

// try reports whether the code is right, and whether it still counts.
func (c *setUpCode) try(code string, now time.Time) error {
	const newOne = "loadscribe people code, on the computer that records, prints a new one"
	if c.sum == ([32]byte{}) || !now.Before(c.until) || c.tries >= codeTries {
		return wrong("code", "there is no set-up code that counts now: it is good for an hour and ten tries; %s", newOne)
	}
	sum := sumOf(code)
	if subtle.ConstantTimeCompare(sum[:], c.sum[:]) != 1 {
		c.tries++
		return wrong("code", "that is not the set-up code; it stands where loadscribe was started, and %s", newOne)
	}
	return nil
}

package evidence

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// ErrKey: a file or text that is no Ed25519 key.
var ErrKey = errors.New("not an Ed25519 key")

// Key signs checkpoints.
type Key struct {
	private ed25519.PrivateKey
}

const pemPrivate = "PRIVATE KEY"

// NewKey makes a new key, in memory alone.
func NewKey() (*Key, error) {
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("make a key: %w", err)
	}
	return &Key{private}, nil
}

// ParseKey reads a key as PEM writes it.
func ParseKey(text []byte) (*Key, error) {
	block, rest := pem.Decode(text)
	if block == nil || block.Type != pemPrivate || len(bytes.TrimSpace(rest)) > 0 {
		return nil, fmt.Errorf("%w: no PEM block %q alone", ErrKey, pemPrivate)
	}
	any, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrKey, err)
	}
	private, ok := any.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("%w: a key of another kind", ErrKey)
	}
	return &Key{private}, nil
}

// PEM is the key as its file holds it: PKCS #8 (RFC 5958, RFC 8410), which
// other tools read too.
func (k *Key) PEM() ([]byte, error) {
	der, err := x509.MarshalPKCS8PrivateKey(k.private)
	if err != nil {
		return nil, fmt.Errorf("write a key: %w", err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: pemPrivate, Bytes: der}), nil
}

// Public is the key that checks what this one signs.
func (k *Key) Public() ed25519.PublicKey { return k.private.Public().(ed25519.PublicKey) }

// Fingerprint is the first half of the SHA-256 of a public key, for people to
// compare: 8 groups of 4 hex digits.
func Fingerprint(public ed25519.PublicKey) string {
	sum := sha256.Sum256(public)
	digits := hex.EncodeToString(sum[:16])
	var groups []string
	for ; digits != ""; digits = digits[4:] {
		groups = append(groups, digits[:4])
	}
	return strings.Join(groups, " ")
}

// PublicKey takes the key out of a verifier key, NAME+HASH+KEY as signed notes
// write it.
func PublicKey(verifierKey string) (ed25519.PublicKey, error) {
	if _, err := note.NewVerifier(verifierKey); err != nil {
		return nil, fmt.Errorf("%w: %q", ErrKey, verifierKey)
	}
	parts := strings.SplitN(verifierKey, "+", 3)
	raw, err := base64.StdEncoding.Strict().DecodeString(parts[len(parts)-1])
	if err != nil || len(raw) != 1+ed25519.PublicKeySize {
		return nil, fmt.Errorf("%w: %q", ErrKey, verifierKey)
	}
	return raw[1:], nil
}

// signer makes a key sign as the name of a log.
type signer struct {
	note.Verifier
	key *Key
}

func (s signer) Sign(msg []byte) ([]byte, error) { return ed25519.Sign(s.key.private, msg), nil }

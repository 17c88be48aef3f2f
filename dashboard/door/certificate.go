package door

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"time"
)

const (
	certificateFile = "certificate.pem"
	keyFile         = "key.pem"
	// certificateLife is less than the 825 days that some systems allow at most
	// (from memory). Each new certificate has a new fingerprint, which people must
	// compare again, so that it is not much less either.
	certificateLife = 820 * 24 * time.Hour
	renewBefore     = 60 * 24 * time.Hour
	// lookEvery is how often given files are looked at, and our own certificate's
	// end.
	lookEvery = time.Minute
)

// CertificateOptions say which certificate the server shows.
type CertificateOptions struct {
	Dir string // where our own is kept
	// Names are host names of this computer, Addresses its addresses; localhost is
	// there by itself.
	Names     []string
	Addresses []net.IP
	// File and Key are given files (PEM); empty: our own is made.
	File, Key string
	Log       *slog.Logger
	Now       func() time.Time // nil: time.Now
}

// Certificate is what the server shows, and which may change while it runs. Its
// methods may be called from several goroutines.
type Certificate struct {
	o     CertificateOptions
	shown atomic.Pointer[tls.Certificate]
	given [2]os.FileInfo // as last read; by Open and Keep alone
	// own says that the certificate is ours: so it is too where given files cannot
	// be used.
	own bool
}

// OpenCertificate reads the given files, or our own certificate, which it makes
// where there is none, where it ends soon, or where it lacks a name. Given files
// that cannot be used are logged, and our own stands in: recording goes on.
// The error says that not even that could be made.
func OpenCertificate(o CertificateOptions) (*Certificate, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	c := &Certificate{o: o}
	if o.File != "" {
		err := c.readGiven()
		if err == nil {
			return c, nil
		}
		o.Log.Error("the certificate of the site file cannot be used; our own is shown until it can", "err", err)
	}
	c.own = true
	return c, c.openOwn()
}

// Fingerprint is the SHA-256 of the certificate that is shown, as browsers show
// it: pairs of hex digits in capitals with colons.
func (c *Certificate) Fingerprint() string { return Fingerprint(c.shown.Load().Certificate[0]) }

// Fingerprint is the SHA-256 of a certificate (DER).
func Fingerprint(der []byte) string {
	sum := sha256.Sum256(der)
	digits := strings.ToUpper(hex.EncodeToString(sum[:]))
	pairs := make([]string, 0, len(sum))
	for pair := range slices.Chunk([]byte(digits), 2) {
		pairs = append(pairs, string(pair))
	}
	return strings.Join(pairs, ":")
}

// TLS is how the server speaks: 1.2 at least, with ciphers that also check what
// arrives, and HTTP/1.1 alone, so that a connection holds one request and bounds
// on connections are bounds on requests.
func (c *Certificate) TLS() *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS12,
		CipherSuites: []uint16{ // of 1.2; those of 1.3 are all good
			tls.TLS_ECDHE_ECDSA_WITH_AES_128_GCM_SHA256, tls.TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256,
			tls.TLS_ECDHE_ECDSA_WITH_AES_256_GCM_SHA384, tls.TLS_ECDHE_RSA_WITH_AES_256_GCM_SHA384,
			tls.TLS_ECDHE_ECDSA_WITH_CHACHA20_POLY1305_SHA256, tls.TLS_ECDHE_RSA_WITH_CHACHA20_POLY1305_SHA256,
		},
		NextProtos:     []string{"http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.shown.Load(), nil },
	}
}

// Keep looks at given files and at the certificate's end until ctx ends, and
// calls changed, if given, with each new fingerprint.
func (c *Certificate) Keep(ctx context.Context, changed func(fingerprint string)) {
	every := time.NewTicker(lookEvery)
	defer every.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-every.C:
			c.Look(changed)
		}
	}
}

// Look does once what Keep does each minute. It is not for several goroutines.
func (c *Certificate) Look(changed func(fingerprint string)) {
	before := c.Fingerprint()
	if c.o.File != "" && c.filesChanged() {
		if err := c.readGiven(); err != nil {
			c.o.Log.Error("the certificate of the site file cannot be used; the one before is shown until it can", "err", err)
		} else {
			c.own = false
		}
	}
	if c.own && c.endsSoon(c.shown.Load().Leaf) {
		if err := c.makeOwn(); err != nil {
			c.o.Log.Error("our certificate ends soon, and no new one can be made", "err", err)
		}
	}
	if now := c.Fingerprint(); now != before {
		c.o.Log.Warn("another certificate is shown from now on", "fingerprint", now)
		if changed != nil {
			changed(now)
		}
	}
}

func (c *Certificate) filesChanged() bool {
	for i, name := range []string{c.o.File, c.o.Key} {
		info, err := os.Stat(name)
		if err != nil { // said once, when it was read last
			return false
		}
		if was := c.given[i]; was == nil || !info.ModTime().Equal(was.ModTime()) || info.Size() != was.Size() {
			return true
		}
	}
	return false
}

// readGiven reads the given files; what is shown stays where they cannot be used.
func (c *Certificate) readGiven() error {
	for i, name := range []string{c.o.File, c.o.Key} {
		c.given[i], _ = os.Stat(name) // reading it says what is wrong
	}
	read, err := tls.LoadX509KeyPair(c.o.File, c.o.Key)
	if err != nil {
		return fmt.Errorf("read %s and %s: %w", c.o.File, c.o.Key, err)
	}
	if now := c.o.Now(); now.After(read.Leaf.NotAfter) {
		c.o.Log.Warn("the certificate of the site file has ended", "file", c.o.File, "ended", read.Leaf.NotAfter)
	}
	c.shown.Store(&read)
	return nil
}

// openOwn shows our own certificate.
func (c *Certificate) openOwn() error {
	read, err := tls.LoadX509KeyPair(filepath.Join(c.o.Dir, certificateFile), filepath.Join(c.o.Dir, keyFile))
	if err == nil && !c.endsSoon(read.Leaf) && c.namesAll(read.Leaf) {
		c.shown.Store(&read)
		return nil
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		c.o.Log.Warn("our certificate cannot be read: a new one is made", "err", err)
	}
	return c.makeOwn()
}

// endsSoon reports whether a new certificate is due. A clock that has not been set
// yet, as after each start of a computer without a battery for it, is no reason.
func (c *Certificate) endsSoon(leaf *x509.Certificate) bool {
	now := c.o.Now()
	return leaf.NotAfter.Sub(now) < renewBefore || leaf.NotBefore.After(now) && now.After(firstDay)
}

// firstDay is before any certificate of this program.
var firstDay = time.Date(2026, time.January, 1, 0, 0, 0, 0, time.UTC)

// namesAll reports whether the certificate has every host name. An address may be
// another one tomorrow and is no reason for a new fingerprint.
func (c *Certificate) namesAll(leaf *x509.Certificate) bool {
	for _, name := range c.o.Names {
		if !slices.Contains(leaf.DNSNames, strings.ToLower(name)) {
			return false
		}
	}
	return true
}

// makeOwn makes a certificate with a key of its own and keeps both. Where the
// disk takes nothing it is shown all the same, until the program ends.
func (c *Certificate) makeOwn() error {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return fmt.Errorf("make a key: %w", err)
	}
	der, err := x509.CreateCertificate(rand.Reader, c.template(), c.template(), &key.PublicKey, key)
	if err != nil {
		return fmt.Errorf("make a certificate: %w", err)
	}
	packed, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return fmt.Errorf("make a certificate: %w", err)
	}
	keyText := pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: packed})
	text := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	made, err := tls.X509KeyPair(text, keyText)
	if err != nil {
		return fmt.Errorf("make a certificate: %w", err)
	}
	// A certificate beside another's key is none: the key goes first, and a cut in
	// between makes a new pair.
	if err := errors.Join(keepFile(c.o.Dir, keyFile, keyText), keepFile(c.o.Dir, certificateFile, text)); err != nil {
		c.o.Log.Warn("the certificate cannot be kept: the next start shows another one", "err", err)
	}
	c.shown.Store(&made)
	return nil
}

// template is a certificate for this computer and nothing else: it can sign no
// other.
func (c *Certificate) template() *x509.Certificate {
	now := c.o.Now().UTC()
	if now.Before(firstDay) { // not set yet: the fingerprint that is printed is to last when it is
		now = firstDay
	}
	names := []string{"localhost"}
	for _, name := range c.o.Names {
		if name = strings.ToLower(name); !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	addresses := append([]net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback}, c.o.Addresses...)
	serial := make([]byte, 16)
	rand.Read(serial) // never fails: see its documentation
	serial[0] &= 0x7f // a serial number is positive (RFC 5280, 4.1.2.2)
	serial[0] |= 0x40 // and none of its bytes is left out
	return &x509.Certificate{
		SerialNumber: new(big.Int).SetBytes(serial),
		Subject:      pkix.Name{CommonName: "loadscribe on " + names[len(names)-1]},
		// A clock without a battery may run behind when the certificate is made.
		NotBefore: now.Add(-24 * time.Hour), NotAfter: now.Add(certificateLife),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true, DNSNames: names, IPAddresses: addresses,
	}
}

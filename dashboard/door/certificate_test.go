package door

import (
	"crypto/tls"
	"crypto/x509"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/testdata/peers"
)

func openOwnTest(t *testing.T, o CertificateOptions) *Certificate {
	t.Helper()
	c, err := OpenCertificate(o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestOwnCertificate(t *testing.T) {
	now := newClock()
	o := CertificateOptions{Dir: t.TempDir(), Names: []string{"Shop-PC"}, Addresses: []net.IP{net.IPv4(192, 0, 2, 7)}, Now: now.Now}
	c := openOwnTest(t, o)
	leaf := c.shown.Load().Leaf
	for _, name := range []string{"shop-pc", "localhost", "127.0.0.1", "::1", "192.0.2.7"} {
		if err := leaf.VerifyHostname(name); err != nil {
			t.Errorf("%v", err)
		}
	}
	pool := x509.NewCertPool()
	pool.AddCert(leaf)
	if _, err := leaf.Verify(x509.VerifyOptions{Roots: pool, DNSName: "shop-pc", CurrentTime: now.Now()}); err != nil {
		t.Errorf("who trusts this certificate alone: %v", err)
	}
	if leaf.IsCA {
		t.Error("the certificate could sign others")
	}
	if days := leaf.NotAfter.Sub(leaf.NotBefore).Hours() / 24; days > 825 {
		t.Errorf("good for %.0f days, and some systems take at most 825", days)
	}
	again := openOwnTest(t, o)
	if again.Fingerprint() != c.Fingerprint() {
		t.Error("a restart shows another certificate")
	}
	o.Addresses = []net.IP{net.IPv4(192, 0, 2, 8)}
	if openOwnTest(t, o).Fingerprint() != c.Fingerprint() {
		t.Error("another address shows another certificate")
	}
	// renewed in time, and told
	var told []string
	for range 820 - 61 {
		now.pass(24 * time.Hour)
		again.Look(func(f string) { told = append(told, f) })
	}
	if len(told) != 0 {
		t.Errorf("renewed more than 60 days before the end")
	}
	for range 3 {
		now.pass(24 * time.Hour)
		again.Look(func(f string) { told = append(told, f) })
	}
	if len(told) != 1 || told[0] != again.Fingerprint() || told[0] == c.Fingerprint() {
		t.Errorf("60 days before the end: told %q", told)
	}
	o.Names = []string{"air.example"}
	if openOwnTest(t, o).Fingerprint() == again.Fingerprint() {
		t.Error("another host name keeps the certificate that lacks it")
	}
	// half a pair is none
	if err := os.WriteFile(filepath.Join(o.Dir, keyFile), []byte("-----BEGIN"), 0o600); err != nil {
		t.Fatal(err)
	}
	openOwnTest(t, o)
}

// A computer without a battery for its clock starts in 1970 each time: the
// certificate stays. One that was made then is good once the clock is set, and its
// printed fingerprint stays, but for a year in which it has ended.
func TestCertificateAndAClockNotSet(t *testing.T) {
	now := newClock()
	o := CertificateOptions{Dir: t.TempDir(), Now: now.Now}
	c := openOwnTest(t, o)
	o.Now = func() time.Time { return time.Unix(100, 0) }
	if openOwnTest(t, o).Fingerprint() != c.Fingerprint() {
		t.Error("a start in 1970 shows another certificate")
	}
	o.Now = func() time.Time { return now.Now().Add(-10 * 24 * time.Hour) }
	if openOwnTest(t, o).Fingerprint() == c.Fingerprint() {
		t.Error("one that holds only from the day after tomorrow on is shown")
	}
	clock := time.Unix(100, 0)
	o.Dir, o.Now = t.TempDir(), func() time.Time { return clock }
	c = openOwnTest(t, o)
	first := c.Fingerprint()
	clock = now.Now()
	leaf := c.shown.Load().Leaf
	if clock.Before(leaf.NotBefore) || clock.After(leaf.NotAfter) {
		t.Errorf("one that was made in 1970 is good from %v to %v", leaf.NotBefore, leaf.NotAfter)
	}
	c.Look(nil)
	if c.Fingerprint() != first {
		t.Error("the fingerprint that was printed in 1970 is no longer shown once the clock is set")
	}
	clock = now.Now().Add(3 * 365 * 24 * time.Hour)
	c.Look(nil)
	if c.Fingerprint() == first || c.shown.Load().Leaf.NotAfter.Before(clock) {
		t.Error("one that has ended is shown")
	}
}

// OpenSSL reads the certificate as we do.
func TestFingerprintPeer(t *testing.T) {
	openssl, err := exec.LookPath("openssl")
	if err != nil {
		peers.Missing(t, "the independent peer openssl is not installed (see .ci/peers)")
	}
	dir := t.TempDir()
	c := openOwnTest(t, CertificateOptions{Dir: dir, Names: []string{"shop-pc"}})
	path := filepath.Join(dir, certificateFile)
	out, err := exec.Command(openssl, "x509", "-in", path, "-noout", "-fingerprint", "-sha256", "-ext", "subjectAltName").CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if !strings.Contains(string(out), "="+c.Fingerprint()+"\n") || !strings.Contains(string(out), "DNS:shop-pc") {
		t.Errorf("openssl says %s, we %s", out, c.Fingerprint())
	}
	if out, err := exec.Command(openssl, "verify", "-CAfile", path, "-purpose", "sslserver", "-verify_hostname", "shop-pc", path).CombinedOutput(); err != nil {
		t.Errorf("%v: %s", err, out)
	}
}

// Given files are read again when they change; broken ones leave what is shown.
func TestGivenCertificate(t *testing.T) {
	pair := func(name string) (certificate, key []byte) {
		dir := t.TempDir()
		openOwnTest(t, CertificateOptions{Dir: dir, Names: []string{name}})
		certificate, err := os.ReadFile(filepath.Join(dir, certificateFile))
		if err != nil {
			t.Fatal(err)
		}
		if key, err = os.ReadFile(filepath.Join(dir, keyFile)); err != nil {
			t.Fatal(err)
		}
		return certificate, key
	}
	dir := t.TempDir()
	o := CertificateOptions{Dir: filepath.Join(dir, "door"), File: filepath.Join(dir, "air.pem"), Key: filepath.Join(dir, "air.key")}
	put := func(certificate, key []byte) {
		if err := os.WriteFile(o.File, certificate, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(o.Key, key, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	names := func(c *Certificate) []string { return c.shown.Load().Leaf.DNSNames }

	c := openOwnTest(t, o) // there are none yet: recording goes on with our own
	if !slices.Equal(names(c), []string{"localhost"}) {
		t.Errorf("without files: %v", names(c))
	}
	put(pair("first.example"))
	changes := 0
	c.Look(func(string) { changes++ })
	if !slices.Contains(names(c), "first.example") || changes != 1 {
		t.Errorf("once they are there: %v, %d changes", names(c), changes)
	}
	c.Look(func(string) { changes++ })
	if changes != 1 {
		t.Error("nothing changed, and something was told")
	}
	put([]byte("-----BEGIN CERTIFICATE-----\nrubbish\n"), []byte("rubbish"))
	c.Look(func(string) { changes++ })
	if !slices.Contains(names(c), "first.example") || changes != 1 {
		t.Errorf("broken files: %v, %d changes", names(c), changes)
	}
	if err := os.Remove(o.Key); err != nil {
		t.Fatal(err)
	}
	c.Look(nil)
	certificate, key := pair("second.example")
	put(certificate, key)
	c.Look(func(string) { changes++ })
	if !slices.Contains(names(c), "second.example") || changes != 2 {
		t.Errorf("renewed files: %v, %d changes", names(c), changes)
	}
}

// A disk that takes nothing costs a certificate that is kept, not one.
func TestCertificateWithoutADisk(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	c := openOwnTest(t, CertificateOptions{Dir: filepath.Join(file, "door")})
	if c.Fingerprint() == "" {
		t.Error("nothing is shown")
	}
}

func TestTLSSettings(t *testing.T) {
	c := openOwnTest(t, CertificateOptions{Dir: t.TempDir()})
	for _, tt := range []struct {
		name string
		with *tls.Config
		ok   bool
	}{
		{"1.3", &tls.Config{MinVersion: tls.VersionTLS13}, true},
		{"1.2", &tls.Config{MaxVersion: tls.VersionTLS12}, true},
		{"1.1", &tls.Config{MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}, false},
		{"1.2 without a check of what arrives", &tls.Config{MaxVersion: tls.VersionTLS12, CipherSuites: []uint16{tls.TLS_ECDHE_ECDSA_WITH_AES_128_CBC_SHA}}, false},
		{"HTTP/2 alone", &tls.Config{NextProtos: []string{"h2"}}, false},
	} {
		client, server := net.Pipe()
		done := make(chan error, 1)
		go func() {
			s := tls.Server(server, c.TLS())
			done <- s.Handshake()
			s.Close()
		}()
		tt.with.InsecureSkipVerify = true
		conn := tls.Client(client, tt.with)
		err := conn.Handshake()
		if (err == nil) != tt.ok {
			t.Errorf("%s: %v", tt.name, err)
		}
		if err == nil && conn.ConnectionState().NegotiatedProtocol == "h2" {
			t.Errorf("%s: HTTP/2 is spoken", tt.name)
		}
		client.Close()
		if serr := <-done; (serr == nil) != tt.ok {
			t.Errorf("%s: the server says %v", tt.name, serr)
		}
	}
}

package sitefile

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

// tlsFiles writes a certificate for air.example that holds for a year, and its key.
func tlsFiles(t *testing.T, dir string, from time.Time) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	plan := &x509.Certificate{SerialNumber: big.NewInt(1), DNSNames: []string{"air.example"}, NotBefore: from, NotAfter: from.AddDate(1, 0, 0)}
	der, err := x509.CreateCertificate(rand.Reader, plan, plan, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{"air.pem": {Type: "CERTIFICATE", Bytes: der}, "air.key": {Type: "PRIVATE KEY", Bytes: private}} {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// TestTLSWarnings: what is wrong with the named certificate is said at its key; nothing
// is said of one that is right.
func TestTLSWarnings(t *testing.T) {
	made := time.Date(2026, time.March, 2, 12, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		name, hosts string
		now         time.Time
		spoil       func(t *testing.T, dir string)
		key, says   string
	}{
		{"right", `"air.example"`, made.AddDate(0, 1, 0), nil, "", ""},
		{"no certificate", "", made, func(t *testing.T, dir string) { remove(t, dir, "air.pem") }, "certificate", "there is no file"},
		{"no key", "", made, func(t *testing.T, dir string) { remove(t, dir, "air.key") }, "key", "there is no file"},
		{"a folder", "", made, func(t *testing.T, dir string) {
			remove(t, dir, "air.key")
			if err := os.Mkdir(filepath.Join(dir, "air.key"), 0o700); err != nil {
				t.Fatal(err)
			}
		}, "key", "is a folder"},
		{"of another key", "", made, func(t *testing.T, dir string) {
			kept, err := os.ReadFile(filepath.Join(dir, "air.key"))
			if err != nil {
				t.Fatal(err)
			}
			tlsFiles(t, dir, made)
			if err := os.WriteFile(filepath.Join(dir, "air.key"), kept, 0o600); err != nil {
				t.Fatal(err)
			}
		}, "certificate", "cannot be used"},
		{"no PEM", "", made, func(t *testing.T, dir string) {
			if err := os.WriteFile(filepath.Join(dir, "air.pem"), []byte("hello"), 0o600); err != nil {
				t.Fatal(err)
			}
		}, "certificate", "cannot be used"},
		{"before", "", made.AddDate(0, 0, -1), nil, "certificate", "it holds from 2026-03-02 on"},
		{"soon", "", made.AddDate(0, 11, 10), nil, "certificate", "it ends on 2027-03-02"},
		{"after", "", made.AddDate(1, 0, 1), nil, "certificate", "it ended on 2027-03-02"},
		{"another name", `"air.example", "shop.example"`, made, nil, "certificate", "it does not name shop.example"},
		{"for everybody", "", made, func(t *testing.T, dir string) {
			if runtime.GOOS == "windows" {
				t.Skip("rights are of another kind there")
			}
			if err := os.Chmod(filepath.Join(dir, "air.key"), 0o644); err != nil {
				t.Fatal(err)
			}
		}, "key", "everybody on this computer may read the key"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			tlsFiles(t, dir, made)
			if tt.spoil != nil {
				tt.spoil(t, dir)
			}
			files := goodFiles()
			site := strings.Replace(files["site.toml"], "[agent]\n", "[agent]\nhosts = ["+tt.hosts+"]\ntls = { certificate = \"air.pem\", key = \"air.key\" }\n", 1)
			path := filepath.Join(dir, "site.toml")
			s, err := load(path, Options{}, func(name string) ([]byte, error) {
				if name == path {
					return []byte(site), nil
				}
				return []byte(files[filepath.ToSlash(strings.TrimPrefix(name, dir+string(filepath.Separator)))]), nil
			})
			if err != nil {
				t.Fatal(err)
			}
			got := s.TLSWarnings(tt.now)
			switch {
			case tt.says == "" && len(got) > 0:
				t.Errorf("got %v", got)
			case tt.says != "" && (len(got) != 1 || got[0].Key != "agent.tls."+tt.key || !strings.Contains(got[0].Message, tt.says) || got[0].Line == 0 || got[0].Mend == ""):
				t.Errorf("got %v, want %s to say %q", got, tt.key, tt.says)
			}
		})
	}
	if s := mustLoad(t, goodFiles()); len(s.TLSWarnings(made)) > 0 {
		t.Error("a site without tls is warned of")
	}
}

func remove(t *testing.T, dir, name string) {
	t.Helper()
	if err := os.Remove(filepath.Join(dir, name)); err != nil {
		t.Fatal(err)
	}
}

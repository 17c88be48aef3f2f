package messenger

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// certificate makes one for 127.0.0.1 and localhost, and writes it and its key to
// files for peers that read them.
func certificate(t *testing.T) (cert tls.Certificate, roots *x509.CertPool, certFile, keyFile string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	plan := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature,
		DNSNames: []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, plan, plan, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	certPEM := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	keyPEM := pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER})
	dir := t.TempDir()
	certFile, keyFile = filepath.Join(dir, "certificate.pem"), filepath.Join(dir, "key.pem")
	for path, data := range map[string][]byte{certFile: certPEM, keyFile: keyPEM} {
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if cert, err = tls.X509KeyPair(certPEM, keyPEM); err != nil {
		t.Fatal(err)
	}
	roots = x509.NewCertPool()
	roots.AppendCertsFromPEM(certPEM)
	return cert, roots, certFile, keyFile
}

// smtpServer is a mail server that does as it is told: RFC 5321's plain sequence,
// with other answers where replies has some.
type smtpServer struct {
	address  string
	cert     *tls.Certificate
	maxTLS   uint16            // 0: the newest
	implicit bool              // TLS from the first byte
	offers   []string          // extensions
	replies  map[string]string // by the first words of a command, or "greeting", "message"; "" ends the connection

	mu       sync.Mutex
	commands []string
	mails    []string
	plain    bool // a command that bears something came in the clear
}

func (s *smtpServer) start(t *testing.T) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.address = l.Addr().String()
	var all sync.WaitGroup
	t.Cleanup(func() {
		l.Close()
		all.Wait()
	})
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer c.Close()
				c.SetDeadline(time.Now().Add(time.Minute))
				if s.implicit {
					c = tls.Server(c, s.tls())
				}
				s.serve(c, s.implicit)
			})
		}
	})
}

func (s *smtpServer) tls() *tls.Config {
	return &tls.Config{Certificates: []tls.Certificate{*s.cert}, MinVersion: tls.VersionTLS10, MaxVersion: s.maxTLS}
}

// reply is the answer to a command, as told or the usual one.
func (s *smtpServer) reply(command, usual string) (answer string, goOn bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	longest := ""
	for begin := range s.replies {
		if strings.HasPrefix(command, begin) && len(begin) > len(longest) {
			longest = begin
		}
	}
	if longest != "" {
		usual = s.replies[longest]
	}
	return usual, usual != ""
}

func (s *smtpServer) serve(c net.Conn, encrypted bool) {
	r := bufio.NewReader(c)
	say := func(command, usual string) bool {
		answer, goOn := s.reply(command, usual)
		_, err := fmt.Fprintf(c, "%s\r\n", answer)
		return goOn && err == nil
	}
	if answer, goOn := s.reply("greeting", "220 mail.example ESMTP"); !goOn {
		return
	} else {
		fmt.Fprintf(c, "%s\r\n", answer)
	}
	for {
		text, err := r.ReadString('\n')
		if err != nil {
			return
		}
		text = strings.TrimRight(text, "\r\n")
		s.mu.Lock()
		s.commands = append(s.commands, text)
		s.plain = s.plain || !encrypted && (strings.HasPrefix(text, "AUTH") || strings.HasPrefix(text, "MAIL"))
		s.mu.Unlock()
		verb, _, _ := strings.Cut(strings.ToUpper(text), " ")
		goOn := true
		switch verb {
		case "EHLO":
			goOn = say(text, "250-mail.example\r\n250-"+strings.Join(append(s.offers, "8BITMIME"), "\r\n250-")+"\r\n250 SMTPUTF8")
		case "STARTTLS":
			if goOn = say(text, "220 go on"); goOn {
				c = tls.Server(c, s.tls())
				r, encrypted = bufio.NewReader(c), true
			}
		case "AUTH":
			goOn = s.auth(text, r, say)
		case "DATA":
			answer, _ := s.reply(text, "354 go on")
			if goOn = say(text, "354 go on"); goOn && strings.HasPrefix(answer, "354") {
				goOn = s.mail(r, say)
			}
		case "QUIT":
			say(text, "221 bye")
			return
		default:
			goOn = say(text, "250 ok")
		}
		if !goOn {
			return
		}
	}
}

// auth takes user "shop" with password "hush hush", by PLAIN and LOGIN.
func (s *smtpServer) auth(text string, r *bufio.Reader, say func(string, string) bool) bool {
	given := ""
	if plain, found := strings.CutPrefix(text, "AUTH PLAIN "); found {
		data, _ := base64.StdEncoding.DecodeString(plain)
		given = string(data)
	} else {
		for _, ask := range []string{"Username:", "Password:"} {
			if !say("ask", "334 "+base64.StdEncoding.EncodeToString([]byte(ask))) {
				return false
			}
			answer, err := r.ReadString('\n')
			if err != nil {
				return false
			}
			data, _ := base64.StdEncoding.DecodeString(strings.TrimSpace(answer))
			given += "\x00" + string(data)
		}
	}
	if given != "\x00shop\x00hush hush" {
		return say("wrong", "535 5.7.8 "+given+" is wrong") // repeats what it was sent
	}
	return say(text, "235 welcome")
}

func (s *smtpServer) mail(r *bufio.Reader, say func(string, string) bool) bool {
	var b strings.Builder
	for {
		l, err := r.ReadString('\n')
		if err != nil {
			return false
		}
		if l == ".\r\n" {
			break
		}
		b.WriteString(strings.TrimPrefix(l, "."))
	}
	s.mu.Lock()
	s.mails = append(s.mails, b.String())
	s.mu.Unlock()
	return say("message", "250 queued")
}

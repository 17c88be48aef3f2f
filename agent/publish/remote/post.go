package remote

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"time"

	"loadscribe/agent/outward"
)

// Headers of every request, as remote write 1.0 asks.
const (
	contentType     = "application/x-protobuf"
	contentEncoding = "snappy"
	versionHeader   = "X-Prometheus-Remote-Write-Version"
	version         = "0.1.0"
	userAgent       = "loadscribe"
)

// mostCA is more bytes than a file of certificates has.
const mostCA = 1 << 20

// poster makes the requests. It is used by one goroutine.
type poster struct {
	config Config
	url    *url.URL
	agent  string
	token  *outward.Secret // nil: none
	pass   *outward.Secret // nil: none
	files  map[string]*outward.Secret
	given  http.RoundTripper // in place of the network; nil: the network

	transport *http.Transport // made at the first request, and anew when the CA file changes
	ca        []byte          // the CA file as the transport has it
}

// newPoster returns one for a checked Config.
func newPoster(c Config, agent string, given http.RoundTripper, log *slog.Logger) (*poster, error) {
	u, err := url.Parse(c.URL)
	if err != nil {
		return nil, errors.New("its url is not a web address") // Check has told it better
	}
	if agent == "" {
		agent = userAgent
	}
	p := &poster{config: c, url: u, agent: agent, given: given, files: map[string]*outward.Secret{}}
	if c.TokenFile != "" {
		p.token = &outward.Secret{Path: c.TokenFile, Log: log}
	}
	if c.PasswordFile != "" {
		p.pass = &outward.Secret{Path: c.PasswordFile, Log: log}
	}
	for _, h := range c.Headers {
		if h.File != "" {
			p.files[h.Name] = &outward.Secret{Path: h.File, Log: log}
		}
	}
	return p, nil
}

// to is the address without path and query.
func (p *poster) to() string { return p.url.Scheme + "://" + p.url.Host }

// close gives connections back.
func (p *poster) close() {
	if p.transport != nil {
		p.transport.CloseIdleConnections()
	}
}

// post sends one body and says what came of it. It ends soon after ctx.
func (p *poster) post(ctx context.Context, body []byte) answer {
	ctx, cancel := context.WithTimeout(ctx, requestTime)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, p.url.String(), bytes.NewReader(body))
	if err != nil {
		return answer{verdict: held, said: "the url makes no request"}
	}
	secrets, err := p.head(req)
	var through http.RoundTripper
	if err == nil {
		through, err = p.through()
	}
	if err != nil {
		a := answer{verdict: later, said: outward.Without(err.Error(), secrets...)}
		if fault := new(outward.Fault); errors.As(err, &fault) {
			a = answer{verdict: held, said: fault.Why}
		}
		return a
	}
	client := http.Client{Transport: through, CheckRedirect: func(*http.Request, []*http.Request) error {
		return http.ErrUseLastResponse // a redirect may lead anywhere, into this network too
	}}
	resp, err := client.Do(req)
	if err != nil {
		return unanswered(p.url.Host, err)
	}
	defer resp.Body.Close()
	if resp.StatusCode >= 200 && resp.StatusCode <= 299 { // its words are not waited for long
		timer := time.AfterFunc(drainTime, cancel)
		defer timer.Stop()
	}
	data, _ := io.ReadAll(io.LimitReader(resp.Body, mostAnswerRead)) // what came is enough; the status decides
	secrets = append(secrets, outward.Hidden(p.url)...)
	a := judge(resp.StatusCode, outward.Without(resp.Status, secrets...), outward.Cut(outward.Without(string(data), secrets...), mostAnswerShown),
		outward.RetryAfter(resp.Header.Get("Retry-After"), time.Now(), mostAfter))
	a.said = p.url.Host + " " + a.said
	return a
}

// head sets the headers and returns the secrets among them.
func (p *poster) head(req *http.Request) (secrets []string, err error) {
	read := func(s *outward.Secret) string {
		text, failed := s.Read()
		switch {
		case failed != nil:
			err = errors.Join(err, failed)
		case !headerValue(text):
			err = errors.Join(err, &outward.Fault{Why: s.Path + " has more than one line: put the secret alone into it"})
		}
		secrets = append(secrets, text)
		return text
	}
	for _, h := range p.config.Headers {
		value := h.Value
		if s := p.files[h.Name]; s != nil {
			value = read(s)
		}
		req.Header.Set(h.Name, value)
	}
	switch {
	case p.token != nil:
		req.Header.Set("Authorization", "Bearer "+read(p.token))
	case p.pass != nil:
		password := read(p.pass)
		secrets = append(secrets, base64.StdEncoding.EncodeToString([]byte(p.config.User+":"+password)))
		req.SetBasicAuth(p.config.User, password)
	}
	req.Header.Set("Content-Type", contentType)
	req.Header.Set("Content-Encoding", contentEncoding)
	req.Header.Set("User-Agent", p.agent)
	req.Header.Set(versionHeader, version)
	return secrets, err
}

// through is what requests go through.
func (p *poster) through() (http.RoundTripper, error) {
	if p.given != nil {
		return p.given, nil
	}
	var ca []byte
	if p.config.CAFile != "" {
		var err error
		if ca, err = outward.ReadUpTo(p.config.CAFile, mostCA); err != nil {
			return nil, &outward.Fault{Why: fmt.Sprintf("the ca_file cannot be read: %v", err)}
		}
	}
	if p.transport != nil && bytes.Equal(ca, p.ca) {
		return p.transport, nil
	}
	config := &tls.Config{MinVersion: tls.VersionTLS12}
	if p.config.CAFile != "" {
		config.RootCAs = x509.NewCertPool()
		if len(ca) > mostCA || !config.RootCAs.AppendCertsFromPEM(ca) {
			return nil, &outward.Fault{Why: fmt.Sprintf("%s holds no certificate in PEM", p.config.CAFile)}
		}
	}
	p.close()
	p.ca, p.transport = ca, outward.Transport(p.url, config)
	p.transport.MaxIdleConns, p.transport.IdleConnTimeout = 1, 90*time.Second // of several requests a minute
	return p.transport, nil
}

package messenger

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/outward"
)

// WebhookConfig says where messages are posted.
type WebhookConfig struct {
	Name       string
	URL        string // https, or http to this computer
	SecretFile string // absolute
}

// Webhook posts messages as JSON, signed as the open Standard Webhooks
// specification says.
type Webhook struct {
	name   string
	url    *url.URL
	secret outward.Secret
	client *http.Client
}

// What an answer may take: the whole time, and the bytes of its body
// that are read.
const (
	webhookTime      = 15 * time.Second
	mostAnswerRead   = 64 << 10
	mostAnswerShown  = 200
	webhookUserAgent = "loadscribe"
)

// NewWebhook returns a target. Its file is not read before the first message.
func NewWebhook(c WebhookConfig, log *slog.Logger) (*Webhook, error) {
	return newWebhook(c, log, nil)
}

// newWebhook trusts roots in place of the system's where they are given.
func newWebhook(c WebhookConfig, log *slog.Logger, roots *x509.CertPool) (*Webhook, error) {
	u, err := url.Parse(c.URL)
	if err != nil || u.Hostname() == "" || u.Scheme != "https" && u.Scheme != "http" || u.User != nil {
		return nil, fmt.Errorf("webhook %q: its url is not a web address without user and password", c.Name)
	}
	transport := outward.Transport(u, &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12})
	transport.DisableKeepAlives = true // alarms are rare, and nothing is to be left open
	return &Webhook{name: c.Name, url: u, secret: outward.Secret{Path: c.SecretFile, Log: log.With("target", c.Name)},
		client: &http.Client{Transport: transport, Timeout: webhookTime, CheckRedirect: func(*http.Request, []*http.Request) error {
			return http.ErrUseLastResponse // a redirect may lead anywhere, into this network too
		}}}, nil
}

// Name implements Target.
func (w *Webhook) Name() string { return w.name }

// Kind implements Target.
func (w *Webhook) Kind() string { return "webhook" }

// To is the address without path and query, which may hold a secret.
func (w *Webhook) To() string { return w.url.Scheme + "://" + w.url.Host }

// posted is the JSON of a message. type and timestamp are named as the
// specification recommends.
type posted struct {
	Type      string     `json:"type"`
	Timestamp string     `json:"timestamp"` // when it happened
	Data      postedData `json:"data"`
}

type postedData struct {
	ID      string            `json:"id"`
	Site    string            `json:"site"`
	Subject string            `json:"subject"`
	Text    string            `json:"text"`
	LateS   int64             `json:"late_s"` // how long it waited to be sent
	Details map[string]string `json:"details,omitempty"`
}

func postedBody(m *Message, late time.Duration) ([]byte, error) {
	return json.Marshal(posted{Type: "alarm." + m.Kind, Timestamp: time.UnixMilli(m.AtMS).UTC().Format("2006-01-02T15:04:05.000Z"),
		Data: postedData{m.ID, m.Site, m.Subject, m.Text, int64(late / time.Second), m.Data}})
}

// Deliver implements Target.
func (w *Webhook) Deliver(ctx context.Context, m *Message, late time.Duration) (string, error) {
	text, err := w.secret.Read()
	if err != nil {
		return "", err
	}
	keys, err := signingKeys(text)
	if err != nil {
		return "", &Held{Why: fmt.Sprintf("%s: %v", w.secret.Path, err)}
	}
	body, err := postedBody(m, late)
	if err != nil {
		return "", &Refused{fmt.Sprintf("it cannot be written as JSON: %v", err)}
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url.String(), bytes.NewReader(body))
	if err != nil {
		return "", &Held{Why: "the url makes no request"}
	}
	now := time.Now()
	for name, value := range map[string]string{"Content-Type": "application/json", "User-Agent": webhookUserAgent, "Webhook-Id": m.wireID(),
		"Webhook-Timestamp": strconv.FormatInt(now.Unix(), 10), "Webhook-Signature": signature(keys, m.wireID(), now.Unix(), body)} {
		req.Header.Set(name, value)
	}
	resp, err := w.client.Do(req)
	if err != nil {
		return "", w.notReached(err)
	}
	defer resp.Body.Close()
	return w.answered(resp, text, now)
}

// notReached says why there is no answer, without the address.
func (w *Webhook) notReached(err error) error {
	var held *Held
	if errors.As(err, &held) {
		return held
	}
	var wrongCertificate *tls.CertificateVerificationError
	if errors.As(err, &wrongCertificate) {
		return &Held{Why: fmt.Sprintf("%s does not prove who it is: %v", w.url.Host, wrongCertificate.Err)}
	}
	var inURL *url.Error
	if errors.As(err, &inURL) {
		err = inURL.Err // the rest is the address
	}
	if inURL != nil && inURL.Timeout() {
		return fmt.Errorf("no answer from %s within %s", w.url.Host, webhookTime)
	}
	if words := outward.Unreached(err); words != "" {
		return errors.New(words)
	}
	return fmt.Errorf("no answer from %s: %s", w.url.Host, outward.Without(err.Error()))
}

// answered says what an answer means.
func (w *Webhook) answered(resp *http.Response, secretText string, now time.Time) (string, error) {
	secrets := append(strings.Fields(secretText), outward.Hidden(w.url)...)
	said := fmt.Sprintf("%s answers %s", w.url.Host, outward.Without(resp.Status, secrets...))
	code := resp.StatusCode
	if code >= 200 && code <= 299 { // taken; its words are not waited for
		return said, nil
	}
	data, _ := io.ReadAll(io.LimitReader(resp.Body, mostAnswerRead)) // what came is enough; the status decides
	if shown := outward.Cut(outward.Without(string(data), secrets...), mostAnswerShown); shown != "" {
		said += ": " + shown
	}
	switch {
	case code >= 300 && code <= 399:
		return "", &Held{Why: said + "; redirects are not followed: set url to the address that is meant"}
	case code == 401, code == 403:
		return "", &Held{Why: said + "; the secret may be a wrong one"}
	case code == 404, code == 405, code == 407, code == 410:
		return "", &Held{Why: said + "; the address may be a wrong one"}
	case code == 408, code == 425, code == 429, code >= 500:
		// 500 is also what a receiver says that chokes on one message.
		return "", &Later{outward.RetryAfter(resp.Header.Get("Retry-After"), now, mostAfter), said, code == 500}
	default:
		return "", &Refused{said}
	}
}

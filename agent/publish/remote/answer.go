package remote

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"loadscribe/agent/outward"
)

// verdict is what is to come of a request.
type verdict int

const (
	taken   verdict = iota
	later           // tried again
	held            // tried again slowly: a person must mend something
	refused         // never again as it is
)

// answer is what came of a request.
type answer struct {
	verdict verdict
	said    string        // for people; no secret
	after   time.Duration // later: what the receiver asked for; 0: nothing
	unclear bool          // later: it may have been taken all the same
	reason  string        // refused: one of the Reason constants
	status  int           // 0: no answer
	request int           // refused: which of a batch it was
}

// What an answer may take.
const (
	requestTime     = 30 * time.Second
	mostAnswerRead  = 16 << 10 // of a body
	mostAnswerShown = 200
	drainTime       = time.Second // for the body of an answer that is fine already
)

// mostAfter bounds what a receiver may ask for.
const mostAfter = time.Hour

// judge says what a status means; words are the body's, made safe.
//
// Remote write 1.0: 2xx is success, 5xx must and 429 may be tried again, any other
// 4xx must not be. That set-up faults are held is ours: see the package comment.
func judge(code int, status, words string, retryAfter time.Duration) answer {
	said := "answers " + status
	if words != "" {
		said += ": " + words
	}
	a := answer{said: said, status: code}
	switch {
	case code >= 200 && code <= 299:
		a.verdict = taken
	case code >= 300 && code <= 399:
		a.verdict, a.said = held, said+"; redirects are not followed: set url to the address that is meant"
	case code == 401, code == 403:
		a.verdict, a.said = held, said+"; the token, the password or a header may be a wrong one"
	case code == 404, code == 405, code == 407, code == 410:
		a.verdict, a.said = held, said+"; the address may be a wrong one, or the receiver is not switched on"
	case code == 411, code == 415:
		a.verdict, a.said = held, said+"; it does not seem to speak remote write 1.0"
	case code == 408, code == 425, code == 429:
		a.verdict, a.after = later, retryAfter
	case code >= 400 && code <= 499:
		a.verdict, a.reason = refused, reasonOf(code, words)
	default: // 5xx, and what no specification knows
		a.verdict, a.after, a.unclear = later, retryAfter, true
	}
	return a
}

// reasonOf tells refusals by the words that receivers use for them (Prometheus:
// "out of order sample", "out of bounds", "duplicate sample for timestamp", "too old
// sample"; others: common practice, no source).
func reasonOf(code int, words string) string {
	words = strings.NewReplacer("-", " ", "_", " ").Replace(strings.ToLower(words))
	switch {
	case code == 413:
		return ReasonTooLarge
	case strings.Contains(words, "out of bounds"), strings.Contains(words, "too old"), strings.Contains(words, "too far behind"):
		return ReasonTooOld
	case strings.Contains(words, "out of order"):
		return ReasonOutOfOrder
	case strings.Contains(words, "duplicate"):
		return ReasonDuplicate
	}
	return ReasonOther
}

// ofTime reports whether a reason is one of time, not of the series itself.
func ofTime(reason string) bool {
	return reason == ReasonOutOfOrder || reason == ReasonDuplicate || reason == ReasonTooOld
}

// unanswered says why there is no answer, without the address.
func unanswered(host string, err error) answer {
	var fault *outward.Fault
	if errors.As(err, &fault) {
		return answer{verdict: held, said: fault.Why}
	}
	var inURL *url.Error
	timeout := errors.As(err, &inURL) && inURL.Timeout()
	if inURL != nil {
		err = inURL.Err // the rest is the address
	}
	var wrongCertificate *tls.CertificateVerificationError
	var noTLS tls.RecordHeaderError
	var op *net.OpError
	inNet := errors.As(err, &op)
	switch {
	case errors.As(err, &wrongCertificate):
		return answer{verdict: held, said: fmt.Sprintf("%s does not prove who it is: %s", host, outward.Without(wrongCertificate.Err.Error()))}
	case errors.As(err, &noTLS), errors.Is(err, http.ErrSchemeMismatch), inNet && op.Op == "remote error": // a TLS alert
		return answer{verdict: held, said: fmt.Sprintf("no TLS with %s: %s", host, outward.Without(err.Error()))}
	case timeout:
		return answer{verdict: later, unclear: true, said: fmt.Sprintf("no answer from %s within %s", host, requestTime)}
	}
	nothingSent := inNet && op.Op == "dial"
	if words := outward.Unreached(err); words != "" {
		return answer{verdict: later, unclear: !nothingSent, said: words}
	}
	return answer{verdict: later, unclear: !nothingSent, said: fmt.Sprintf("no answer from %s: %s", host, outward.Without(err.Error()))}
}

package messenger

import (
	"crypto/sha256"
	"encoding/hex"
	"maps"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/outward"
)

// Bounds of the queue of one target.
const (
	// MostWaiting is how many messages wait for a target; the oldest is given up
	// for one more.
	MostWaiting = 1000
	// MostAge is how long a message is tried.
	MostAge = 7 * 24 * time.Hour
)

// Kinds of messages.
const (
	KindRaised   = "raised"
	KindReturned = "returned"
	KindTest     = "test"
)

// Message is something that happened, for people and programs elsewhere.
type Message struct {
	// ID is the same for the same happening, however often it is sent. Any text;
	// one that does not fit a header is sent as its hash.
	ID   string `json:"id"`
	Kind string `json:"kind"` // KindRaised, KindReturned or KindTest
	// AtMS is when it happened, UTC in milliseconds.
	AtMS    int64  `json:"at_ms"`
	Site    string `json:"site"`
	Subject string `json:"subject"` // one line
	Text    string `json:"text"`    // lines for people
	// Data are details for programs.
	Data map[string]string `json:"data,omitempty"`

	// had are those of the target's people who have it already.
	had []string
}

// Bounds of a message's texts, in bytes. A longer one is cut: a message that is
// too long is still to arrive.
const (
	mostID      = 500
	mostKind    = 40
	mostSubject = 200
	mostText    = 8000
	mostData    = 40
	mostValue   = 500
)

// fitted is the message as it is kept and sent: of bounded length, without
// letters that a header, a terminal or a page could take for something else.
// Texts come from controllers and their maps, which may be hostile.
func (m Message) fitted() Message {
	m.ID, m.Kind = outward.Cut(m.ID, mostID), outward.Cut(outward.Line(m.Kind), mostKind)
	m.Site, m.Subject, m.Text = outward.Cut(outward.Line(m.Site), mostSubject), outward.Cut(outward.Line(m.Subject), mostSubject), outward.Cut(lines(m.Text), mostText)
	keys := slices.Sorted(maps.Keys(m.Data))
	data := map[string]string{}
	for _, k := range keys[:min(len(keys), mostData)] {
		data[outward.Cut(outward.Line(k), mostSubject)] = outward.Cut(outward.Line(m.Data[k]), mostValue)
	}
	m.Data = data
	return m
}

// line is a text on one line; what cannot be printed becomes a space.
// lines keeps line breaks.
func lines(text string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r == '\n' {
			return r
		}
		return outward.Printable(r)
	}, strings.ReplaceAll(text, "\r\n", "\n")))
}

// wireID is the ID as it stands in headers: letters, digits, _ and - only, no
// dot, as the Standard Webhooks specification asks.
func (m *Message) wireID() string {
	fits := m.ID != "" && len(m.ID) <= 80
	for _, r := range m.ID {
		fits = fits && (r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '_' || r == '-')
	}
	if fits {
		return m.ID
	}
	sum := sha256.Sum256([]byte(m.ID))
	return "id-" + hex.EncodeToString(sum[:20])
}

package messenger

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
)

// A message on the disk is a line of head and a line of JSON:
//
//	loadscribe-message 1 <hex SHA-256 of all after this line>
//	{"queued_ms":…,"message":{…}}
//
// The hash tells a damaged file from a whole one.
const letterHead = "loadscribe-message 1 "

// mostLetter is more bytes than the longest message takes as JSON.
const mostLetter = 256 << 10

// errDamaged: a file is not what was written.
var errDamaged = errors.New("damaged")

// letter is a message with what the queue knows of it.
type letter struct {
	// QueuedMS is when it was queued, by the wall clock of then.
	QueuedMS int64   `json:"queued_ms"`
	Message  Message `json:"message"`
	// Had are those of the target's people who have it already.
	Had []string `json:"had,omitempty"`
}

func (l *letter) encode() ([]byte, error) {
	body, err := json.Marshal(l)
	if err != nil {
		return nil, fmt.Errorf("write message %q: %w", l.Message.ID, err)
	}
	body = append(body, '\n')
	sum := sha256.Sum256(body)
	return append([]byte(letterHead+hex.EncodeToString(sum[:])+"\n"), body...), nil
}

// decodeLetter reads what encode wrote; the error wraps errDamaged.
func decodeLetter(data []byte) (letter, error) {
	var l letter
	head, body, found := bytes.Cut(data, []byte("\n"))
	sum := sha256.Sum256(body)
	switch {
	case len(data) > mostLetter:
		return l, fmt.Errorf("%w: longer than %d bytes", errDamaged, mostLetter)
	case !found || string(head) != letterHead+hex.EncodeToString(sum[:]):
		return l, fmt.Errorf("%w: head and hash do not fit", errDamaged)
	}
	if err := json.Unmarshal(body, &l); err != nil {
		return l, fmt.Errorf("%w: %w", errDamaged, err)
	}
	l.Message = l.Message.fitted()
	return l, nil
}

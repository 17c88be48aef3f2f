package messenger

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"strconv"
	"strings"
)

// Bounds of a signing secret in bytes, and how many there may be: the Standard
// Webhooks specification 1.0.0 asks for 192 to 512 bits, and signs by the new and
// the old secret while they change.
const (
	leastSecretBytes = 24
	mostSecretBytes  = 64
	mostSecrets      = 2
)

const secretPrefix = "whsec_"

var errSecretForm = errors.New("a signing secret is written whsec_ and then 24 to 64 bytes in base64; " +
	"one on a line, and two lines at most, while a new one takes the place of an old one")

// signingKeys reads the text of a secret file. The error holds nothing of it.
func signingKeys(text string) (keys [][]byte, err error) {
	for word := range strings.FieldsSeq(text) {
		encoded, found := strings.CutPrefix(word, secretPrefix)
		key, err := base64.StdEncoding.DecodeString(encoded)
		if !found || err != nil || len(key) < leastSecretBytes || len(key) > mostSecretBytes || len(keys) == mostSecrets {
			return nil, errSecretForm
		}
		keys = append(keys, key)
	}
	if len(keys) == 0 {
		return nil, errSecretForm
	}
	return keys, nil
}

// signature is the header webhook-signature: for each key "v1," and the base64 of
// HMAC-SHA256 over "id.timestamp.body", with spaces between.
func signature(keys [][]byte, id string, unixS int64, body []byte) string {
	signed := make([]string, len(keys))
	for i, key := range keys {
		mac := hmac.New(sha256.New, key)
		mac.Write([]byte(id + "." + strconv.FormatInt(unixS, 10) + "."))
		mac.Write(body)
		signed[i] = "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
	}
	return strings.Join(signed, " ")
}

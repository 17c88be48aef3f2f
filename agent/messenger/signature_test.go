package messenger

import (
	"encoding/base64"
	"strings"
	"testing"
)

// TestSignature holds to the published example of the Standard Webhooks project
// (version 1.0.0; libraries/python/tests/test_webhooks.py, test_sign_function, read):
// secret, id, time, payload and the signature that they give.
func TestSignature(t *testing.T) {
	keys, err := signingKeys("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	got := signature(keys, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, []byte(`{"test": 2432232314}`))
	if want := "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// TestSigningKeys: two secrets give two signatures while one takes the other's
// place; anything else is said without the secret.
func TestSigningKeys(t *testing.T) {
	other := secretPrefix + base64.StdEncoding.EncodeToString([]byte("abcdefghijklmnopqrstuvwxyz012345"))
	keys, err := signingKeys(goodSecret + "\r\n" + other + "\n")
	if err != nil || len(keys) != 2 {
		t.Fatalf("%d keys, %v", len(keys), err)
	}
	both := strings.Split(signature(keys, "a", 1, nil), " ")
	if len(both) != 2 || both[0] != signature(keys[:1], "a", 1, nil) || both[1] != signature(keys[1:], "a", 1, nil) {
		t.Errorf("signatures %q", both)
	}
	short, long := make([]byte, 23), make([]byte, 65)
	for _, text := range []string{"", "hush", "whsec_", "whsec_!!", strings.TrimPrefix(goodSecret, secretPrefix),
		secretPrefix + base64.StdEncoding.EncodeToString(short), secretPrefix + base64.StdEncoding.EncodeToString(long),
		goodSecret + " " + other + " " + goodSecret} {
		_, err := signingKeys(text)
		if err == nil {
			t.Errorf("%q is taken", text)
			continue
		}
		if len(text) > len(secretPrefix) && strings.Contains(err.Error(), text) {
			t.Errorf("%q is told: %v", text, err)
		}
	}
}

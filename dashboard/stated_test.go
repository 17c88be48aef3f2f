package dashboard

import (
	"net/http"
	"strings"
	"testing"

	"loadscribe/agent"
	"loadscribe/agent/hookup"
	"loadscribe/dashboard/door"
)

// Nobody speaks as another without a trace.
func TestWhoSpeaksIsSigned(t *testing.T) {
	signedIn := caller{name: "B. Night", role: door.Operate, session: &door.Session{}}
	for _, c := range []struct {
		typed, want string
		by          caller
	}{
		{"", "B. Night", signedIn},
		{" b. night ", " b. night ", signedIn},
		{"R. Vale", "R. Vale (signed in: B. Night)", signedIn},
		{"R. Vale", "R. Vale", caller{role: door.Operate}},                // no sign-in is asked for
		{"R. Vale", "R. Vale", caller{role: door.Operate, command: true}}, // a local command
	} {
		for _, body := range []any{&agent.Note{}, &agent.LeakTagEntry{}, &agent.TestAsk{}, &agent.TestWithdrawal{}, &agent.AuditBegin{}, &agent.AuditMark{},
			&agent.AlarmAck{}, &agent.AlarmShelve{}, &agent.AlarmUnshelve{}, &hookup.Spot{}} {
			who := statedBy(body)
			*who = c.typed
			if sign(body, c.by); *who != c.want {
				t.Errorf("%T: %q of %q becomes %q, want %q", body, c.typed, c.by.name, *who, c.want)
			}
		}
	}
	sign(&agent.ReplayRequest{}, signedIn) // says nothing of anybody
}

func TestANoteIsSignedOnItsWay(t *testing.T) {
	s, people := signInServer(t)
	if w := asPage(s, "/api/v1/notes", `{"text":"filter changed","author":"B. Night"}`, people["operate"]); w.Code != http.StatusOK {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	notes := s.backend.(*commandShop).notes
	if len(notes) != 1 || !strings.HasPrefix(notes[0].Author, "B. Night (signed in: R. Vale)") {
		t.Errorf("kept: %+v", notes)
	}
}

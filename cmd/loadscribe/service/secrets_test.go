package service

import (
	"slices"
	"testing"

	"loadscribe/agent/sitefile"
)

// TestSecretsOfASite: every file that holds what nobody else may read, or without which
// nothing is sent, is named, so that the unit's walls leave it in sight.
func TestSecretsOfASite(t *testing.T) {
	site := &sitefile.Site{Mail: &sitefile.Mail{PasswordFile: "mail"}, Webhooks: []sitefile.Webhook{{SecretFile: "hook"}},
		RemoteWrites: []sitefile.RemoteWrite{{TokenFile: "token", CAFile: "authority", Headers: []sitefile.Header{{Name: "X-A", Value: "a"}, {Name: "X-B", File: "header"}}},
			{User: "shop", PasswordFile: "password"}}}
	site.Agent.TLS = sitefile.TLSFiles{Certificate: "certificate", Key: "key"}
	want := []string{"mail", "hook", "token", "authority", "header", "password", "certificate", "key"}
	if got := secrets(site); !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if got := secrets(&sitefile.Site{}); len(got) != 0 {
		t.Errorf("a site without secrets has %v", got)
	}
}

package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"loadscribe/dashboard/door"
)

// TestCheckNamesAlarms: check --json lists the rules of the site file with what holds
// where a key is left out.
func TestCheckNamesAlarms(t *testing.T) {
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("../../configs")); err != nil {
		t.Fatal(err)
	}
	site := filepath.Join(dir, "joinery.toml")
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, site, string(text)+`
[mail]
server = "mail.example:587"
from = "loadscribe@air.example"
to = ["shop@air.example"]
[[alarm]]
name = "dark"
on = "reading"
channel = "meter.power"
above = "30 kW"
tell = []
`)
	var got struct {
		Alarms []checkedAlarm `json:"alarms"`
	}
	if err := json.Unmarshal([]byte(mustRun(t, "check", "--site", site, "--json")), &got); err != nil {
		t.Fatal(err)
	}
	all := []string{"mail"}
	want := []checkedAlarm{
		{"air end hot", "temperature", "", "high", 30, 60, all},
		{"pressure low", "pressure below minimum", "", "medium", 120, 60, all},
		{"no readings", "no data", "", "high", 60, 60, all},
		{"disk", "disk", "", "medium", 0, 60, all},
		{"dark", "reading", "meter.power", "medium", 0, 60, []string{}},
	}
	same := func(a, b checkedAlarm) bool {
		return a.Name == b.Name && a.On == b.On && a.Of == b.Of && a.Priority == b.Priority && a.After == b.After && a.Clear == b.Clear && a.Tell != nil && slices.Equal(a.Tell, b.Tell)
	}
	if !slices.EqualFunc(got.Alarms, want, same) {
		t.Errorf("got %+v\nwant %+v", got.Alarms, want)
	}
}

// TestCheckReadsTheCertificate: check reads the files of tls, which it only named before.
func TestCheckReadsTheCertificate(t *testing.T) {
	dir := t.TempDir()
	site := writeSite(t, dir, netLine("127.0.0.1:1"))
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, site, strings.Replace(string(text), "[agent]\n", "[agent]\ntls = { certificate = \"own/certificate.pem\", key = \"own/key.pem\" }\n", 1))
	if out := mustRun(t, "check", "--site", site); !strings.Contains(out, "agent.tls.certificate: there is no file") || !strings.Contains(out, "agent.tls.key: there is no file") {
		t.Errorf("the files are not there, and check says\n%s", out)
	}
	if _, err := door.OpenCertificate(door.CertificateOptions{Dir: filepath.Join(dir, "own")}); err != nil {
		t.Fatal(err)
	}
	if out := mustRun(t, "check", "--site", site); strings.Contains(out, "agent.tls") {
		t.Errorf("the files are right, and check says\n%s", out)
	}
}

package main

import "testing"

func TestSoakSaid(t *testing.T) {
	const said = "    soakgrowth_test.go:9: live objects: 5.7 MB from day 16 on, 5.8 MB at the end, +0.009 MB a day\n" +
		"    soakgrowth_test.go:9: anonymous memory: 20.1 MB from day 16 on, 21.4 MB at the end, -0.125 MB a day\n" +
		"    crowd_test.go:9: meter: 26 scans of 26 due, at most 1.070 s between two\n" +
		"    crowd_test.go:9: controller: 26 scans of 26 due, at most 1.012 s between two\n"
	rows, err := soakSaid(said)
	if err != nil {
		t.Fatal(err)
	}
	if rows[0].value != -0.125 || rows[0].note != "from 20.1 MB to 21.4 MB over the last half of 30 simulated days" {
		t.Errorf("memory: %+v", rows[0])
	}
	if v := rows[1].value; v < 69.9 || v > 70.1 {
		t.Errorf("lateness %g ms, want 70", v)
	}
	if _, err := soakSaid("PASS"); err == nil {
		t.Error("no figures are taken for figures")
	}
}

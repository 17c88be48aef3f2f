package dashboard

import (
	"strings"
	"testing"
)

// What a running agent tells of its lines fits the document, and one device can
// be asked for alone.
func TestWireOverTheAPI(t *testing.T) {
	s := newCommandServer(t, newShop(), Options{})
	d := readDocument(t)
	d.mustFit(t, "RegistersAnswer", get(s, "/api/v1/registers").Body.Bytes())
	d.mustFit(t, "LinesAnswer", get(s, "/api/v1/lines").Body.Bytes())
	one := get(s, "/api/v1/registers?device=controller").Body.String()
	if !strings.Contains(one, `"controller.loaded"`) || strings.Contains(one, "printer") {
		t.Errorf("one device: %s", one)
	}
	if w := get(s, "/api/v1/registers", "Host", "evil.example"); w.Code != 403 {
		t.Errorf("under a foreign name: %d", w.Code)
	}
}

package dashboard

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"loadscribe/agent/newsite"
	"loadscribe/agent/probe"
	"loadscribe/agent/sitefile"
	"loadscribe/configs"
)

func newSetupServer(t *testing.T, ports func() ([]probe.Port, error), written func(bool)) *Server {
	t.Helper()
	maker, err := newsite.New(filepath.Join(t.TempDir(), "site.toml"), newsite.Options{Examples: configs.Maps,
		Warnings: func(s *sitefile.Site) ([]sitefile.Problem, error) { return s.Warnings, nil }})
	if err != nil {
		t.Fatal(err)
	}
	pages := testPages()
	pages["new.html"] = pages["index.html"]
	s, err := NewSetup(Setup{Maker: maker, Ports: ports, Written: written}, Options{Pages: pages})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Every answer of a server without a site fits the document, and the live one says
// that it has its site.
func TestNewSiteOverTheAPI(t *testing.T) {
	d := readDocument(t)
	two := func() ([]probe.Port, error) {
		return []probe.Port{{Name: "COM3"}, {Name: "/dev/ttyUSB0", Stable: "/dev/serial/by-id/a", Known: "an adapter"}}, nil
	}
	var writes []bool
	s := newSetupServer(t, two, func(record bool) { writes = append(writes, record) })
	d.mustFit(t, "NewSite", get(s, "/api/v1/newsite").Body.Bytes())
	d.mustFit(t, "NewSite", get(newSetupServer(t, func() ([]probe.Port, error) { return nil, errors.New("no rights") }, nil), "/api/v1/newsite").Body.Bytes())
	own := []string{"Origin", "http://127.0.0.1:8477"}
	draft := `{"site":{"name":"A","units":"si"},"line":[{"name":"bus","kind":"modbus-tcp","address":"192.0.2.7:502"}],` +
		`"device":[{"name":"controller","line":"bus","unit":"1","map":"maps/screw-controller.toml"}],"machine":[{"name":"comp1","channels":{"controller":"*"}}]}`
	for _, tt := range []struct {
		target, body string
		header       []string
		status       int
		schema       string
	}{
		{"check", draft, own, 200, "DraftChecked"},
		{"check", `{"device":[{"map":"../x"}]}`, own, 200, "DraftChecked"},
		{"check", draft, nil, 403, "Error"},
		{"check", draft, []string{"Origin", "http://elsewhere.example"}, 403, "Error"},
		{"check", `{"sites":{}}`, own, 400, "Error"},
		{"write", `{}`, own, 400, "Error"},
		{"write?record=maybe", draft, own, 400, "Error"},
		{"check?record=true", draft, own, 400, "Error"},
		{"write", draft, own, 200, "NewSiteWritten"},
		{"write", draft, own, 409, "Error"},
	} {
		w := post(s, "/api/v1/newsite/"+tt.target, tt.body, tt.header...)
		if w.Code != tt.status {
			t.Errorf("%s %.40s: %d, want %d: %s", tt.target, tt.body, w.Code, tt.status, w.Body)
			continue
		}
		d.mustFit(t, tt.schema, w.Body.Bytes())
	}
	later := newSetupServer(t, two, func(record bool) { writes = append(writes, record) })
	if w := post(later, "/api/v1/newsite/write?record=false", draft, own...); w.Code != 200 {
		t.Errorf("written alone: %d %s", w.Code, w.Body)
	}
	if !slices.Equal(writes, []bool{true, false}) {
		t.Errorf("told of the writes %v, want one to record and one that is not", writes)
	}
	live := newTestServer(t, newShop(), Options{})
	for _, w := range []*httptest.ResponseRecorder{get(live, "/api/v1/newsite"), post(live, "/api/v1/newsite/write", draft, own...)} {
		if w.Code != http.StatusNotFound || !strings.Contains(w.Body.String(), "has its site file already") {
			t.Errorf("with a site: %d %s", w.Code, w.Body)
		}
	}
	for target, want := range map[string]int{"/": 200, "/new.html": 200, "/assets/index-9f8e7d.js": 200, "/api/v1/state": 503, "/healthz": 200} {
		if w := get(s, target); w.Code != want {
			t.Errorf("%s: %d, want %d", target, w.Code, want)
		}
	}
	for name, v := range map[string]any{
		"NewSite": newSite{}, "SerialPort": probe.Port{}, "MapFound": newsite.MapFound{}, "NewSiteWritten": newSiteWritten{},
		"SiteDraft": newsite.Draft{}, "DraftSite": newsite.SiteDraft{}, "DraftTariff": newsite.TariffDraft{}, "DraftPrice": newsite.PriceDraft{},
		"DraftCharge": newsite.ChargeDraft{}, "DraftLine": newsite.LineDraft{}, "DraftDevice": newsite.DeviceDraft{}, "DraftInstrument": newsite.InstrumentDraft{},
		"DraftRatio": newsite.RatioDraft{}, "DraftMachine": newsite.MachineDraft{}, "DraftMotor": newsite.MotorDraft{}, "DraftService": newsite.ServiceDraft{},
		"DraftSystem": newsite.SystemDraft{}, "DraftPart": newsite.PartDraft{}, "DraftTap": newsite.TapDraft{}, "DraftReport": newsite.ReportDraft{},
		"DraftMap": newsite.MapDraft{}, "DraftChecked": newsite.Checked{}, "DraftRemark": newsite.Remark{}, "DraftDeviceSeen": newsite.DeviceSeen{},
		"DraftChannel": newsite.ChannelSeen{}, "DraftMachineRoles": newsite.MachineRoles{}, "DraftRole": newsite.RoleFilled{},
	} {
		d.fitsType(t, name, reflect.TypeOf(v))
	}
}

// A draft with large maps is taken, one without bounds is not.
func TestDraftsAreBounded(t *testing.T) {
	s := newSetupServer(t, func() ([]probe.Port, error) { return nil, nil }, nil)
	for size, want := range map[int]int{200 << 10: 200, 2 << 20: 400} {
		body, err := json.Marshal(newsite.Draft{Maps: []newsite.MapDraft{{Name: "large", Text: "# " + strings.Repeat("x", size)}}})
		if err != nil {
			t.Fatal(err)
		}
		if w := post(s, "/api/v1/newsite/check", string(body), "Origin", "http://127.0.0.1:8477"); w.Code != want {
			t.Errorf("a map of %d bytes: %d, want %d: %.200s", size, w.Code, want, w.Body)
		}
	}
}

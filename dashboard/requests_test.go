package dashboard

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"context"
	"loadscribe/agent"
	"loadscribe/agent/bundle"
	"loadscribe/agent/store"
	"loadscribe/dashboard/door"
)

// fuzzShop is a running agent that has nothing to give as a file and takes any replay.
type fuzzShop struct{ *commandShop }

func (b *fuzzShop) StartReplay(agent.ReplayRequest) (agent.ReplayJob, error) {
	return agent.ReplayJob{ID: "5f", State: agent.JobRunning, Started: noon}, nil
}

func (b *fuzzShop) Backup() (*store.Backup, error) { return nil, errors.New("none here") }

func (b *fuzzShop) BundleFile(context.Context, bundle.Options) (*agent.BundleFile, error) {
	return nil, bundle.ErrEmpty
}

// requestsOf are all ways to ask a server, "POST /api/v1/notes", sorted.
func requestsOf(s *Server) (all []string) {
	for _, path := range s.routes {
		if path != "/api/v1/live" { // it takes over the connection
			all = append(all, "GET "+path)
		}
	}
	for _, path := range s.posts {
		all = append(all, "POST "+path)
	}
	slices.Sort(all)
	return all
}

// bodies are good ones, or nearly so, of every POST.
var bodies = []string{
	`{}`, ``, `null`, `[]`, `{"text":"oil changed","subject":"comp1","time":"-1h","author":"R. Vale","service":"oil","hour_meter":1e4}`,
	`{"before":"2026-02-01/2026-02-08","after":"2026-03-01/2026-03-08","machine":"comp1","peak":["2026-03"]}`, `{"checkpoint":"loadscribe\n1\nAAAA\n"}`,
	`{"system":"main","action":"found","place":"hose","hole":"2 mm"}`, `{"machine":"comp1"}`, `{"step":"loaded","skip":true}`, goodSpot, `{"kind":"leak","system":"main","rises":3}`, `{"id":"5f"}`,
	`{"from":"-7d","to":"now","alternatives":[{"name":"lower","set":[{"key":"comp1.cut_out","value":"112 psi"}]}],"search":{}}`,
	`{"text":"\ud800"}`, `{"text":"` + strings.Repeat("x", 70_000) + `"}`, strings.Repeat(`[`, 20_000), strings.Repeat(`{"a":`, 9_000), `{"hour_meter":1e999}`, `{"rises":99999999999999999999}`,
	`{"text":"a","text":"b"}`, `{"text":"a"}{"text":"b"}`, `{"name":"x","password":"y","code":"z"}`, `{"rule":"hot","for":"8h","who":"R. Vale","why":"x"}`,
}

// FuzzRequest asks every route with any query and body, as a local command, a person of
// either role and nobody. What comes back is an answer: bounded, of a status that the document knows, JSON where it
// says so, and never the word of a crash.
func FuzzRequest(f *testing.F) {
	s, askers := fuzzServer(f)
	all := requestsOf(s)
	for i := range all {
		f.Add(uint16(i), uint8(0), "from=-7d&to=now&machine=comp1&system=main&channel=controller.loaded&points=50&limit=5&at=-1h&id=5f", "")
	}
	for i, body := range bodies {
		for k, way := range all {
			if strings.HasPrefix(way, "POST") && (k+i)%12 == 0 {
				f.Add(uint16(k), uint8(2*k), "", body)
			}
		}
	}
	for i, query := range []string{"%", "a;b", "channel=%00", "from=9999-12-31&to=0001-01-01", "step=1ns", "limit=-1", "cursor=////", "kind=" + strings.Repeat("k&kind=", 900), "at=1e9", "before=/&after=/"} {
		for k := i; k < len(all); k += 20 { // every seed costs time before the fuzzing begins
			f.Add(uint16(k), uint8(k), query, "")
		}
	}
	f.Fuzz(func(t *testing.T, way uint16, who uint8, query, body string) {
		method, path, _ := strings.Cut(all[int(way)%len(all)], " ")
		r := httptest.NewRequest(method, path, strings.NewReader(body))
		r.URL = &url.URL{Path: path, RawQuery: query}
		r.Host = "127.0.0.1:8477"
		r.Header.Set("Content-Type", "application/json")
		asker := askers[int(who)%len(askers)]
		if path == "/api/v1/door/out" || path == "/api/v1/door/sessions/end" { // the others would be nobody from then on
			asker = askers[len(askers)-1]
		}
		for name, value := range asker {
			r.Header.Set(name, value)
		}
		mustAnswer(t, s, r)
	})
}

// fuzzServer asks for sign-in; askers are the headers of those who ask: a local command,
// who operates, who looks, nobody.
func fuzzServer(f *testing.F) (s *Server, askers []map[string]string) {
	f.Helper()
	shop := &fuzzShop{&commandShop{shop: newShop()}}
	people := door.Open(door.Options{Dir: f.TempDir()})
	s, err := New(shop, Options{Pages: testPages(), Metrics: shop, Secret: "0123abcd", Door: people, SignIn: true})
	if err != nil {
		f.Fatal(err)
	}
	askers = []map[string]string{{"Authorization": "Bearer 0123abcd"}}
	for _, role := range []door.Role{door.Operate, door.Look} {
		name := "R. " + string(role)
		if err := people.AddOrChange(f.Context(), "a test", name, role, operatePassword); err != nil {
			f.Fatal(err)
		}
		cookies := signIn(s, name, operatePassword).Result().Cookies()
		if len(cookies) != 1 {
			f.Fatalf("%s cannot sign in", name)
		}
		askers = append(askers, map[string]string{"Cookie": cookies[0].Name + "=" + cookies[0].Value, "Origin": "http://127.0.0.1:8477"})
	}
	return s, append(askers, map[string]string{"Origin": "http://127.0.0.1:8477"})
}

// mostAnswer bounds what the test's shop can be asked for: it holds little.
const mostAnswer = 4 << 20

func mustAnswer(t *testing.T, s *Server, r *http.Request) {
	t.Helper()
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	text, err := io.ReadAll(w.Result().Body)
	if err != nil {
		t.Fatal(err)
	}
	known := []int{200, 202, 400, 401, 403, 404, 405, 409, 413, 426, 429, 503}
	if !slices.Contains(known, w.Code) || len(text) > mostAnswer {
		t.Errorf("%s %s?%.200q: status %d, %d bytes: %.200s", r.Method, r.URL.Path, r.URL.RawQuery, w.Code, len(text), text)
	}
	if w.Header().Get("Content-Type") == "application/json" && !json.Valid(text) {
		t.Errorf("%s %s: no JSON: %.200s", r.Method, r.URL.Path, text)
	}
	for name, values := range w.Header() {
		if strings.ContainsAny(name+strings.Join(values, ""), "\r\n\x00") {
			t.Errorf("%s %s: header %q: %q", r.Method, r.URL.Path, name, values)
		}
	}
}

// A body that cannot be read is the asker's fault at every POST, said in JSON.
func TestBadBodiesAreRefusedEverywhere(t *testing.T) {
	shop := &fuzzShop{&commandShop{shop: newShop()}}
	s, err := New(shop, Options{Pages: testPages(), Metrics: shop, Secret: "0123abcd"})
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range s.posts {
		if path == "/api/v1/backup" { // it takes no body
			continue
		}
		for name, body := range map[string]string{
			"deep lists": strings.Repeat("[", 60_000), "deep objects": strings.Repeat(`{"a":`, 12_000), "a great number": `{"unknown":1` + strings.Repeat("0", 60_000) + `}`,
			"too large": `{"text":"` + strings.Repeat("x", 70_000) + `"}`, "two values": "{}{}", "not JSON": "text=a&b", "half of it": `{"text":"`,
		} {
			w := post(s, path, body, "Authorization", "Bearer 0123abcd")
			if want := 400; w.Code != want && w.Code != 404 { // 404: the site is made already
				t.Errorf("%s, %s: %d, want %d: %.200s", path, name, w.Code, want, w.Body)
			}
			readDocument(t).mustFit(t, "Error", w.Body.Bytes())
		}
		if w := post(s, path, "{}", "Authorization", "Bearer 0123abcd", "Content-Type", "text/plain"); w.Code != 400 && w.Code != 404 {
			t.Errorf("%s takes text/plain, which a foreign page's form can send: %d", path, w.Code)
		}
	}
}

package dashboard

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"loadscribe/dashboard/door"
)

const pageOrigin = "http://127.0.0.1:8477"

// asPage posts as the agent's own page does, with a session's cookie.
func asPage(s *Server, target, body, cookie string) *httptest.ResponseRecorder {
	return post(s, target, body, "Origin", pageOrigin, "Cookie", cookie)
}

func doorOf(t *testing.T, w *httptest.ResponseRecorder) (a doorAnswer) {
	t.Helper()
	readDocument(t).mustFit(t, "Door", w.Body.Bytes())
	if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil {
		t.Fatal(err)
	}
	return a
}

func TestSignIn(t *testing.T) {
	s, people := signInServer(t)
	d := readDocument(t)
	if a := doorOf(t, get(s, "/api/v1/door")); !a.SignIn || a.SetUp || a.Person != nil || a.Role != "" || a.IdleS != 0 {
		t.Errorf("a stranger is told %+v", a)
	}
	if a := doorOf(t, get(s, "/api/v1/door", "Cookie", people["look"])); a.Person == nil || a.Person.Name != "A. Looker" || a.Role != door.Look || a.IdleS != 12*3600 {
		t.Errorf("who looks is told %+v", a)
	}
	w := get(s, "/api/v1/state")
	if w.Code != 401 || w.Header().Get("WWW-Authenticate") == "" || w.Header().Get("Cache-Control") != "no-store" {
		t.Errorf("unsigned: %d %v", w.Code, w.Header())
	}
	d.mustFit(t, "Error", w.Body.Bytes())
	for _, target := range []string{"/", "/assets/index-9f8e7d.js"} {
		if w := get(s, target); w.Code != 200 {
			t.Errorf("%s, which holds no data, is answered %d to who must sign in by it", target, w.Code)
		}
	}
	if w := get(s, "/api/v1/no-such-thing"); w.Code != 401 {
		t.Errorf("what there is not: %d to a stranger", w.Code)
	}
	// the answers, and out again
	for target, schema := range map[string]string{"/api/v1/door/people": "DoorPeople", "/api/v1/door/sessions": "DoorSessions"} {
		w := get(s, target, "Cookie", people["operate"])
		if w.Code != 200 {
			t.Fatalf("%s: %d %s", target, w.Code, w.Body)
		}
		d.mustFit(t, schema, w.Body.Bytes())
	}
	w = asPage(s, "/api/v1/door/people", `{"name":"Wall","role":"look","password":"a third word or two"}`, people["operate"])
	if w.Code != 200 || !strings.Contains(w.Body.String(), "Wall") {
		t.Errorf("adding: %d %s", w.Code, w.Body)
	}
	d.mustFit(t, "DoorPeople", w.Body.Bytes())
	if w := asPage(s, "/api/v1/door/people/remove", `{"name":"wall"}`, people["operate"]); w.Code != 200 || strings.Contains(w.Body.String(), "Wall") {
		t.Errorf("removing: %d %s", w.Code, w.Body)
	}
	if w := asPage(s, "/api/v1/door/people/remove", `{"name":"R. Vale"}`, people["operate"]); w.Code != 409 {
		t.Errorf("the last who operates: %d %s", w.Code, w.Body)
	}
	w = asPage(s, "/api/v1/door/out", `{}`, people["operate"])
	if a := doorOf(t, w); w.Code != 200 || a.Person != nil || !strings.Contains(w.Header().Get("Set-Cookie"), "Max-Age=0") {
		t.Errorf("out: %d %+v %s", w.Code, a, w.Header().Get("Set-Cookie"))
	}
	if w := get(s, "/api/v1/state", "Cookie", people["operate"]); w.Code != 401 || !strings.Contains(w.Body.String(), "signed out") {
		t.Errorf("afterwards: %d %s", w.Code, w.Body)
	}
}

// A person sees and ends their own sessions, who operates all.
func TestSessionsOfOthers(t *testing.T) {
	s, people := signInServer(t)
	second := cookieOf(t, s, "A. Looker", lookPassword)
	get(s, "/api/v1/door", "Cookie", second, "X-Forwarded-For", "198.51.100.7")
	list := func(cookie string) (all []doorSession) {
		var a doorSessions
		w := get(s, "/api/v1/door/sessions", "Cookie", cookie)
		if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil {
			t.Fatalf("%v: %s", err, w.Body)
		}
		return a.Sessions
	}
	own, all := list(people["look"]), list(people["operate"])
	if len(own) != 2 || len(all) != 3 {
		t.Fatalf("who looks sees %+v, who operates %+v", own, all)
	}
	for _, one := range own {
		if one.Name != "A. Looker" || one.From != "192.0.2.1" {
			t.Errorf("who looks sees %+v", one)
		}
	}
	vale := all[slices.IndexFunc(all, func(one doorSession) bool { return one.Name == "R. Vale" })]
	if !vale.This || vale.From != "192.0.2.1" {
		t.Errorf("one's own: %+v", vale)
	}
	if w := asPage(s, "/api/v1/door/sessions/end", `{"id":"`+vale.ID+`"}`, people["look"]); w.Code != 404 {
		t.Errorf("who looks ends who operates: %d %s", w.Code, w.Body)
	}
	if w := asPage(s, "/api/v1/door/sessions/end", `{"others":true}`, people["look"]); w.Code != 200 || len(list(people["look"])) != 1 {
		t.Errorf("the others: %d %s", w.Code, w.Body)
	}
	if w := get(s, "/api/v1/state", "Cookie", second); w.Code != 401 || !strings.Contains(w.Body.String(), "ended by A. Looker") {
		t.Errorf("the other: %d %s", w.Code, w.Body)
	}
	mine := list(people["look"])[0]
	if w := asPage(s, "/api/v1/door/sessions/end", `{"id":"`+mine.ID+`"}`, people["operate"]); w.Code != 200 {
		t.Errorf("who operates ends who looks: %d %s", w.Code, w.Body)
	}
	if w := get(s, "/api/v1/state", "Cookie", people["look"]); w.Code != 401 || !strings.Contains(w.Body.String(), "ended by R. Vale") {
		t.Errorf("who was ended: %d %s", w.Code, w.Body)
	}
	for _, body := range []string{`{}`, `{"id":"x","others":true}`} {
		if w := asPage(s, "/api/v1/door/sessions/end", body, people["operate"]); w.Code != 400 {
			t.Errorf("%s: %d %s", body, w.Code, w.Body)
		}
	}
}

// TestBruteForceIsSlowed: after a few wrong passwords the answer is 429 with a time
// to come again; a name that nobody has is answered with the same words.
func TestBruteForceIsSlowed(t *testing.T) {
	s, _ := signInServer(t)
	answers := map[string][]string{}
	for _, name := range []string{"R. Vale", "N. Obody"} {
		for i := range 8 {
			// a made-up address of a made-up proxy changes nothing
			w := signIn(s, name, fmt.Sprintf("wrong password %d", i), "X-Forwarded-For", fmt.Sprintf("198.51.100.%d", i), "Forwarded", "for=127.0.0.1")
			answers[name] = append(answers[name], fmt.Sprint(w.Code, w.Body))
			readDocument(t).mustFit(t, "Error", w.Body.Bytes())
			if w.Code == 429 && w.Header().Get("Retry-After") == "" {
				t.Error("429 without Retry-After")
			}
			if w.Header().Get("Set-Cookie") != "" {
				t.Errorf("a wrong password sets %s", w.Header().Get("Set-Cookie"))
			}
		}
	}
	if got := answers["R. Vale"]; !strings.HasPrefix(got[0], "401") || !strings.HasPrefix(got[7], "429") {
		t.Errorf("wrong ones in turn: %q", got)
	}
	if answers["R. Vale"][0] != `401 {"error":{"message":"name and password do not belong together","field":"password"}}` {
		t.Errorf("the first: %q", answers["R. Vale"][0])
	}
	// a name that nobody has is answered alike, try by try
	for i, said := range answers["N. Obody"] {
		if as := answers["R. Vale"][i]; said[:3] != as[:3] || i == 0 && said != as {
			t.Errorf("try %d of a name that nobody has: %q, of one that somebody has: %q", i, said, as)
		}
	}
	// a local command is never limited
	if w := post(s, "/api/v1/door/people", `{"name":"R. Vale","password":"another word entirely"}`, "Authorization", "Bearer 0123abcd"); w.Code != 200 {
		t.Errorf("the way back in: %d %s", w.Code, w.Body)
	}
}

// TestSessionFixation: a token that was planted is never taken on, each sign-in has
// a new one, and the one before is over.
func TestSessionFixation(t *testing.T) {
	s, people := signInServer(t)
	planted := "loadscribe-8477=AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
	w := signIn(s, "R. Vale", operatePassword, "Cookie", planted)
	if w.Code != 200 || strings.Contains(w.Header().Get("Set-Cookie"), "AAAAAAAA") {
		t.Fatalf("%d %s", w.Code, w.Header().Get("Set-Cookie"))
	}
	if w := get(s, "/api/v1/state", "Cookie", planted); w.Code != 401 {
		t.Errorf("the planted token lets in: %d", w.Code)
	}
	// an attacker's own session, planted in the victim's browser, does not become the victim's
	w = signIn(s, "R. Vale", operatePassword, "Cookie", people["look"])
	if w.Code != 200 || strings.Contains(w.Header().Get("Set-Cookie"), people["look"]) {
		t.Fatalf("%d %s", w.Code, w.Header().Get("Set-Cookie"))
	}
	if w := get(s, "/api/v1/state", "Cookie", people["look"]); w.Code != 401 {
		t.Errorf("the session of before goes on: %d", w.Code)
	}
	w = asPage(s, "/api/v1/door/password", `{"old":"`+operatePassword+`","new":"another word entirely"}`, people["operate"])
	if w.Code != 200 || w.Header().Get("Set-Cookie") == "" {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if w := get(s, "/api/v1/state", "Cookie", people["operate"]); w.Code != 401 {
		t.Errorf("after another password the session of before goes on: %d", w.Code)
	}
}

// TestCookieFlags holds the cookie to RFC 6265bis, 4.1.3.2 (the __Host- prefix: from
// memory): Secure, Path=/, no Domain.
func TestCookieFlags(t *testing.T) {
	d := newTestDoor(t, nil)
	s := newTestServer(t, newShop(), Options{Door: d, SignIn: true, CookiePort: "8477", Origins: []string{"https://air.example"}})
	for name, tt := range map[string]struct {
		https  bool
		origin string
		want   string
		secure bool
	}{
		"TLS":                  {true, "https://127.0.0.1:8477", "__Host-loadscribe-8477", true},
		"plain":                {false, pageOrigin, "loadscribe-8477", false},
		"a proxy that has TLS": {false, "https://air.example", "__Host-loadscribe-8477", true},
	} {
		r := httptest.NewRequest(http.MethodPost, "/api/v1/door/in", strings.NewReader(`{"name":"R. Vale","password":"`+operatePassword+`"}`))
		if tt.https {
			r = httptest.NewRequest(http.MethodPost, "https://127.0.0.1:8477/api/v1/door/in", r.Body)
		}
		r.Host = "127.0.0.1:8477"
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Origin", tt.origin)
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		cookies := w.Result().Cookies()
		if w.Code != 200 || len(cookies) != 1 {
			t.Fatalf("%s: %d %s, cookies %v", name, w.Code, w.Body, cookies)
		}
		c := cookies[0]
		if c.Name != tt.want || c.Secure != tt.secure || !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.Domain != "" || c.MaxAge != 0 {
			t.Errorf("%s: %+v", name, c)
		}
		if len(w.Result().Header.Values("Set-Cookie")) != 1 || len(c.Value) != 43 {
			t.Errorf("%s: %v", name, w.Result().Header)
		}
		// the session of the insecure cookie is no good over TLS: it may have been planted
		r = httptest.NewRequest(http.MethodGet, "https://127.0.0.1:8477/api/v1/state", nil)
		r.Host = "127.0.0.1:8477"
		r.Header.Set("Cookie", "loadscribe-8477="+c.Value)
		w = httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		if w.Code != 401 {
			t.Errorf("%s: a cookie without the prefix is taken over TLS: %d", name, w.Code)
		}
	}
}

// TestForeignPagesWithASession: what a foreign page can make a browser send does
// nothing, even if the cookie came along, which SameSite=Strict forbids besides.
func TestForeignPagesWithASession(t *testing.T) {
	s, people := signInServer(t)
	for name, header := range map[string][]string{
		"another origin":          {"Origin", "https://evil.example"},
		"a sandboxed page":        {"Origin", "null"},
		"no origin":               nil,
		"another port of ours":    {"Origin", "http://127.0.0.1:8080"},
		"a name that was rebound": {"Origin", "http://evil.example:8477", "Host", "evil.example:8477"},
	} {
		for _, target := range []string{"/api/v1/notes", "/api/v1/door/people", "/api/v1/door/out", "/api/v1/door/in", "/api/v1/compare"} {
			w := do(s, http.MethodPost, target, append([]string{"Cookie", people["operate"], "Content-Type", "application/json"}, header...)...)
			if w.Code != 403 {
				t.Errorf("%s posts %s: %d %s", name, target, w.Code, w.Body)
			}
		}
	}
	if w := get(s, "/api/v1/state", "Cookie", people["operate"], "Host", "evil.example:8477"); w.Code != 403 {
		t.Errorf("a rebound name reads the state: %d", w.Code)
	}
	if w := get(s, "/api/v1/state", "Cookie", people["operate"]); w.Code != 200 {
		t.Errorf("the session itself: %d", w.Code)
	}
}

// A change of role counts at once.
func TestRoleChangeCountsAtOnce(t *testing.T) {
	s, people := signInServer(t)
	if w := get(s, "/api/v1/sitefile", "Cookie", people["look"]); w.Code != 403 || !strings.Contains(w.Body.String(), `"field":"role"`) {
		t.Errorf("who looks reads the site file: %d %s", w.Code, w.Body)
	}
	change := func(role string) {
		if w := asPage(s, "/api/v1/door/people", `{"name":"A. Looker","role":"`+role+`"}`, people["operate"]); w.Code != 200 {
			t.Fatalf("%d %s", w.Code, w.Body)
		}
	}
	change("operate")
	if w := get(s, "/api/v1/sitefile", "Cookie", people["look"]); w.Code != 200 {
		t.Errorf("now that they operate: %d %s", w.Code, w.Body)
	}
	change("look")
	if w := asPage(s, "/api/v1/notes", `{"text":"x"}`, people["look"]); w.Code != 403 {
		t.Errorf("now that they look again: %d %s", w.Code, w.Body)
	}
}

// The first person comes in with the code, once; what they type is put into no
// header.
func TestSetUpOverTheAPI(t *testing.T) {
	d := door.Open(door.Options{Dir: t.TempDir()})
	s := newTestServer(t, newShop(), Options{Secret: "0123abcd", Door: d, SignIn: true})
	if a := doorOf(t, get(s, "/api/v1/door")); !a.SetUp {
		t.Errorf("nobody is there, and the page is told %+v", a)
	}
	w := post(s, "/api/v1/door/code", `{}`, "Authorization", "Bearer 0123abcd")
	readDocument(t).mustFit(t, "DoorCode", w.Body.Bytes())
	var made doorCode
	if err := json.Unmarshal(w.Body.Bytes(), &made); err != nil || w.Code != 200 {
		t.Fatalf("%v: %d %s", err, w.Code, w.Body)
	}
	body := func(code, name string) string {
		text, err := json.Marshal(doorSetUp{code, name, operatePassword})
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	for field, text := range map[string]string{"code": body("AAAA-AAAA-AAAA", "R. Vale"), "name": body(made.Code, "x\r\nSet-Cookie: a=b")} {
		w := asPage(s, "/api/v1/door/set-up", text, "")
		if w.Code != 400 || !strings.Contains(w.Body.String(), `"field":"`+field+`"`) || w.Header().Get("Set-Cookie") != "" {
			t.Errorf("%s: %d %s %v", field, w.Code, w.Body, w.Header())
		}
	}
	w = asPage(s, "/api/v1/door/set-up", body(made.Code, "R. Vale"), "")
	if a := doorOf(t, w); w.Code != 200 || a.Role != door.Operate || a.SetUp {
		t.Errorf("%d %+v", w.Code, a)
	}
	if w := asPage(s, "/api/v1/door/set-up", body(made.Code, "Thief"), ""); w.Code != 400 {
		t.Errorf("a second time: %d %s", w.Code, w.Body)
	}
	if w := post(s, "/api/v1/door/code", `{}`, "Authorization", "Bearer 0123abcd"); w.Code != 409 {
		t.Errorf("another code: %d %s", w.Code, w.Body)
	}
}

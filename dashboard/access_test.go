package dashboard

import (
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"loadscribe/dashboard/door"
)

// rolesOf is written out a second time, by hand: what each route asks for where
// people sign in. nobody: open. A route that is in neither list fails the test.
var rolesOf = map[string][]string{
	"nobody": {"GET /healthz", "GET /readyz", "GET /api/v1/door", "POST /api/v1/door/set-up", "POST /api/v1/door/in", "POST /api/v1/door/out"},
	"look": {
		"GET /api/v1/site", "GET /api/v1/state", "GET /api/v1/series", "GET /api/v1/moments", "GET /api/v1/below", "GET /api/v1/figures",
		"GET /api/v1/figure-names", "GET /api/v1/demand", "GET /api/v1/leaks", "GET /api/v1/nights", "GET /api/v1/events", "GET /api/v1/faults",
		"GET /api/v1/service", "GET /api/v1/service/effect", "GET /api/v1/intervals", "GET /api/v1/unloads", "GET /api/v1/cycles",
		"GET /api/v1/compare", "GET /api/v1/days", "GET /api/v1/money", "GET /api/v1/periods", "GET /api/v1/missed", "GET /api/v1/remote-write", "GET /api/v1/levels",
		"GET /api/v1/evidence", "GET /api/v1/export", "GET /api/v1/live", "GET /api/v1/openapi.json", "GET /api/v1/hookup", "GET /api/v1/registers",
		"GET /api/v1/lines", "GET /api/v1/tests", "GET /api/v1/replay", "GET /api/v1/replay/machines", "GET /api/v1/report",
		"GET /api/v1/report/file", "GET /api/v1/audit", "GET /api/v1/newsite", "GET /metrics", "GET /api/v1/alarms",
		"GET /api/v1/door/sessions", "POST /api/v1/door/sessions/end", "POST /api/v1/door/password",
		"POST /api/v1/compare", "POST /api/v1/verify", "POST /api/v1/replay", "POST /api/v1/replay/cancel", "POST /api/v1/report", "POST /api/v1/report/cancel",
	},
	"operate": {
		"GET /api/v1/text", "GET /api/v1/sitefile", "POST /api/v1/backup", "POST /api/v1/backup/ready", "GET /api/v1/backup/file", "POST /api/v1/notes", "POST /api/v1/leaks",
		"POST /api/v1/hookup/start", "POST /api/v1/hookup/step", "POST /api/v1/hookup/spot", "POST /api/v1/tests/start", "POST /api/v1/tests/cancel",
		"POST /api/v1/tests/withdraw", "POST /api/v1/levels/change", "POST /api/v1/audit/begin", "POST /api/v1/audit/mark",
		"POST /api/v1/alarms/acknowledge", "POST /api/v1/alarms/shelve", "POST /api/v1/alarms/unshelve", "POST /api/v1/alarms/test",
		"POST /api/v1/newsite/check", "POST /api/v1/newsite/write",
		"GET /api/v1/door/people", "POST /api/v1/door/people", "POST /api/v1/door/people/remove",
	},
	"command": {"POST /api/v1/door/code", "POST /api/v1/door/scrape-token"},
}

// routesOf are the routes of a server with their methods.
func routesOf(s *Server) (all []string) {
	for _, path := range s.routes {
		all = append(all, "GET "+path)
	}
	for _, path := range s.posts {
		all = append(all, "POST "+path)
	}
	return all
}

// TestEveryRouteSaysWhoMayAsk asks every route of the mux as nobody, as a person
// who looks, as one who operates, and as a local command.
func TestEveryRouteSaysWhoMayAsk(t *testing.T) {
	s, people := signInServer(t)
	order := []string{"nobody", "look", "operate", "command"}
	listed := 0
	for _, routes := range rolesOf {
		listed += len(routes)
	}
	served := routesOf(s)
	if listed != len(served) {
		t.Errorf("%d routes are listed here, %d are served", listed, len(served))
	}
	for _, route := range served {
		least := slices.IndexFunc(order, func(who string) bool { return slices.Contains(rolesOf[who], route) })
		if least < 0 {
			t.Errorf("%s is not in the list of who may ask it: add it to access (access.go) and here", route)
			continue
		}
		method, path, _ := strings.Cut(route, " ")
		for i, who := range order {
			header := []string{"Origin", "http://127.0.0.1:8477", "Content-Type", "application/json", "Cookie", people[who]}
			if who == "command" {
				header = []string{"Authorization", "Bearer 0123abcd"}
			}
			w := do(s, method, path+"?no_such_parameter=1", header...)
			refused := w.Code == http.StatusUnauthorized && strings.Contains(w.Body.String(), `"sign_in"`) ||
				w.Code == http.StatusForbidden && (strings.Contains(w.Body.String(), `"field":"role"`) || strings.Contains(w.Body.String(), "agent.json"))
			if want := i < least; refused != want {
				t.Errorf("%s by %s: %d %s; refused %v, want %v", route, who, w.Code, w.Body, refused, want)
			}
			if who == "nobody" && refused && w.Code != http.StatusUnauthorized && !slices.Contains(rolesOf["command"], route) {
				t.Errorf("%s by nobody: %d, want 401", route, w.Code)
			}
		}
	}
}

// The table has nothing that is not served, and what is served but not in the
// table is refused to everybody.
func TestTheTableIsOfThisMux(t *testing.T) {
	s, people := signInServer(t)
	served := append(routesOf(s), "/")
	for _, entry := range slices.Sorted(maps.Keys(access)) {
		if !slices.Contains(served, entry) {
			t.Errorf("the table has %s, which is not served", entry)
		}
	}
	m := http.NewServeMux()
	m.HandleFunc("GET /api/v1/forgotten", func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusOK) })
	for who, cookie := range people {
		r := httptest.NewRequest(http.MethodGet, "/api/v1/forgotten", nil)
		r.Header.Set("Cookie", cookie)
		w := httptest.NewRecorder()
		s.admit(m).ServeHTTP(w, r)
		if w.Code != http.StatusForbidden {
			t.Errorf("a route without an entry answers %d to %s", w.Code, who)
		}
	}
}

// signInServer asks for sign-in. people are the cookies of two who are signed in,
// "look" and "operate"; that of nobody is empty.
func signInServer(t *testing.T) (s *Server, people map[string]string) {
	t.Helper()
	d := newTestDoor(t, nil)
	s = newCommandServer(t, newShop(), Options{Secret: "0123abcd", Door: d, SignIn: true, CookiePort: "8477"})
	return s, map[string]string{
		"nobody": "", "look": cookieOf(t, s, "A. Looker", lookPassword), "operate": cookieOf(t, s, "R. Vale", operatePassword),
	}
}

const (
	operatePassword = "mild winter evening"
	lookPassword    = "screen by the door"
)

// newTestDoor has R. Vale, who operates, and A. Looker, who looks. change, if
// given, changes its options.
func newTestDoor(t *testing.T, change func(*door.Options)) *door.Door {
	t.Helper()
	o := door.Options{Dir: t.TempDir()}
	if change != nil {
		change(&o)
	}
	d := door.Open(o)
	for name, as := range map[string]struct {
		role     door.Role
		password string
	}{"R. Vale": {door.Operate, operatePassword}, "A. Looker": {door.Look, lookPassword}} {
		if err := d.AddOrChange(t.Context(), "a test", name, as.role, as.password); err != nil {
			t.Fatal(err)
		}
	}
	return d
}

// signIn asks to sign in as a browser does.
func signIn(s *Server, name, password string, header ...string) *httptest.ResponseRecorder {
	return post(s, "/api/v1/door/in", `{"name":"`+name+`","password":"`+password+`"}`, append([]string{"Origin", "http://127.0.0.1:8477"}, header...)...)
}

func cookieOf(t *testing.T, s *Server, name, password string) string {
	t.Helper()
	w := signIn(s, name, password)
	if w.Code != http.StatusOK {
		t.Fatalf("%s: %d %s", name, w.Code, w.Body)
	}
	readDocument(t).mustFit(t, "Door", w.Body.Bytes())
	cookie, _, _ := strings.Cut(w.Header().Get("Set-Cookie"), ";")
	return cookie
}

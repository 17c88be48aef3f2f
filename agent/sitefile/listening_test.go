package sitefile

import (
	"strings"
	"testing"
	"time"
)

func TestListening(t *testing.T) {
	const rtu, tcp = "kind = \"modbus-rtu\"\nport = \"COM3\"\nserial = \"19200 8E1\"\ntimeout = \"1s\"\n", "address = \"192.0.2.7:502\"\n"
	tests := []struct {
		name, old, new string
		listen         bool
		first          time.Duration
		warns          []string // each warning's key and a part of its message
		says           []string // of the one problem, key first
	}{
		{name: "default", first: 2 * time.Second},
		{name: "longer", old: rtu, new: rtu + "listen_first = \"10s\"\n", first: 10 * time.Second},
		{name: "off", old: rtu, new: rtu + "listen_first = \"0s\"\n",
			warns: []string{"line.listen_first", "a master that is there already will be disturbed"}},
		{name: "listened to", old: rtu, new: strings.Replace(rtu, "timeout = \"1s\"\n", "listen = true\n", 1), listen: true},
		{name: "not listened to, said so", old: rtu, new: rtu + "listen = false\n", first: 2 * time.Second},
		{name: "listened to, with keys for asking", old: rtu, new: rtu + "listen = true\n", listen: true,
			warns: []string{"line.timeout", "nothing is sent"}},
		{name: "listen on ASCII", old: rtu, new: strings.Replace(strings.Replace(rtu, "-rtu", "-ascii", 1), "8E1", "7E1", 1) + "listen = true\n",
			says: []string{"line.listen:", `only lines of kind "modbus-rtu" can be listened to, and this line is "modbus-ascii"`, `kind = "modbus-rtu"`}},
		{name: "listen on TCP", old: tcp, new: tcp + "listen = true\n", says: []string{"line.listen:", `this line is "modbus-tcp"`}},
		{name: "listen_first on TCP", old: tcp, new: tcp + "listen_first = \"2s\"\n", says: []string{"line.listen_first:", "is for modbus-rtu and modbus-ascii lines"}},
		{name: "no truth", old: rtu, new: rtu + "listen = \"yes\"\n", says: []string{"line.listen:", "without quotes"}},
		{name: "too long", old: rtu, new: rtu + "listen_first = \"2 min\"\n", says: []string{"line.listen_first:", "longer than 1m0s"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			files := goodFiles()
			if !strings.Contains(files["site.toml"], tt.old) {
				t.Fatalf("%q is not in the good file", tt.old)
			}
			files["site.toml"] = strings.Replace(files["site.toml"], tt.old, tt.new, 1)
			if tt.says != nil {
				problems := problemsIn(t, files)
				for _, s := range tt.says {
					if len(problems) != 1 || !strings.Contains(problems[0].Error(), s) {
						t.Errorf("got %v, want one problem that says %q", problems, s)
					}
				}
				return
			}
			site, err := load("site.toml", Options{}, memory(files))
			if err != nil {
				t.Fatal(err)
			}
			bus, net := site.Lines[0], site.Lines[1]
			if bus.Listen != tt.listen || bus.ListenFirst != tt.first || net.Listen || net.ListenFirst != 0 {
				t.Errorf("listen %t, first %v; want %t, %v; net: %+v", bus.Listen, bus.ListenFirst, tt.listen, tt.first, net)
			}
			if len(site.Warnings) != len(tt.warns)/2 {
				t.Fatalf("warnings %v, want %v", site.Warnings, tt.warns)
			}
			for i, w := range site.Warnings {
				if w.Key != tt.warns[2*i] || !strings.Contains(w.Message, tt.warns[2*i+1]) {
					t.Errorf("warning %v, want %v", w, tt.warns)
				}
			}
		})
	}
}

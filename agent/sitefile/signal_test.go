package sitefile

import (
	"maps"
	"math"
	"slices"
	"strings"
	"testing"
)

// one is a site with one device and the map given.
func one(mapText string) map[string]string {
	return map[string]string{inMap: mapText,
		inSite: "[[line]]\nname='n'\nkind='modbus-tcp'\naddress='h:1'\n[[device]]\nname='d'\nline='n'\nmap='maps/c.toml'\n"}
}

// input is a map with one input register.
func input(keys string) string {
	return "[[channel]]\nname='a'\ntable='input'\naddress=7\ntype='u16'\n" + keys + "\n"
}

// TestTwoPointScaling is worked by hand from the line through two points.
func TestTwoPointScaling(t *testing.T) {
	for _, tt := range []struct {
		name, keys    string
		raw, want     float64
		scale, offset float64
	}{
		{"4 mA is 0 psi", "signal={scale=0.001,unit='mA'}\npoints=[[4,0],[20,200]]\nunit='psi'", 4000, 0, 0.0125, -50},
		{"20 mA is 200 psi", "signal={scale=0.001,unit='mA'}\npoints=[[4,0],[20,200]]\nunit='psi'", 20000, 200, 0.0125, -50},
		{"points in falling order", "signal={scale=0.001,unit='mA'}\npoints=[[20,200],[4,0]]\nunit='psi'", 12000, 100, 0.0125, -50},
		{"a slope that binary fractions cannot hold", "signal={scale=0.001,unit='mA'}\npoints=[[4,0],[20,0.3]]\nunit='psi'", 20000, 0.3, 0.00001875, -0.075},
		{"a value that falls", "signal={scale=0.001,unit='mA'}\npoints=[[4,100],[20,0]]\nunit='%'", 8000, 75, -0.00625, 125},
		{"an offset in the module", "signal={scale=0.01,offset=4,unit='mA'}\npoints=[[4,-40],[20,120]]\nunit='°C'", 800, 40, 0.1, -40},
		{"volts", "signal={scale=0.005,unit='V'}\npoints=[[0,0],[10,16]]\nunit='bar'", 1000, 8, 0.008, 0},
		{"amperes", "signal={scale=0.000001,unit='A'}\npoints=[[0.004,0],[0.020,400]]\nunit='cfm'", 12000, 200, 0.025, -100},
	} {
		c := mustLoad(t, one(input(tt.keys))).Devices[0].Map.Channels[0]
		if c.Scale != tt.scale || c.Offset != tt.offset {
			t.Errorf("%s: scale %v offset %v, want exactly %v and %v", tt.name, c.Scale, c.Offset, tt.scale, tt.offset)
		}
		if got := tt.raw*c.Scale + c.Offset; math.Abs(got-tt.want) > 1e-9 {
			t.Errorf("%s: raw %v is %v, want %v", tt.name, tt.raw, got, tt.want)
		}
	}
}

// TestLoopLevels: the limits of NAMUR NE 43 (from memory) hold for a current
// with a live zero only, and the map may say others.
func TestLoopLevels(t *testing.T) {
	f := func(v float64) *float64 { return &v }
	for _, tt := range []struct {
		name, keys   string
		sound        *[2]float64
		below, above *float64
	}{
		{"4-20 mA", "signal={scale=0.001,unit='mA'}\npoints=[[4,0],[20,1]]", &[2]float64{3.8, 20.5}, f(3.6), f(21)},
		{"in amperes", "signal={scale=0.000001,unit='A'}\npoints=[[0.004,0],[0.02,1]]", &[2]float64{0.0038, 0.0205}, f(0.0036), f(0.021)},
		{"its own limits", "signal={scale=0.001,unit='mA',fault_below=3.5,fault_above=22}\npoints=[[4,0],[20,1]]", &[2]float64{3.8, 20.5}, f(3.5), f(22)},
		{"0-20 mA has no live zero", "signal={scale=0.001,unit='mA'}\npoints=[[0,0],[20,1]]", nil, nil, nil},
		{"volts", "signal={unit='V'}\npoints=[[0,0],[10,1]]", nil, nil, nil},
		{"volts with a limit", "signal={unit='V',fault_above=10.5}\npoints=[[0,0],[10,1]]", nil, nil, f(10.5)},
	} {
		g := mustLoad(t, one(input(tt.keys))).Devices[0].Map.Channels[0].Signal
		near := func(a, b *float64) bool { return (a == nil) == (b == nil) && (a == nil || math.Abs(*a-*b) < 1e-12) }
		sound := (g.Sound == nil) == (tt.sound == nil)
		if g.Sound != nil && tt.sound != nil {
			sound = near(&g.Sound[0], &tt.sound[0]) && near(&g.Sound[1], &tt.sound[1])
		}
		if !sound || !near(g.FaultBelow, tt.below) || !near(g.FaultAbove, tt.above) {
			t.Errorf("%s: got %+v", tt.name, g)
		}
	}
}

func TestMapKeysExplainMistakes(t *testing.T) {
	for _, tt := range []struct{ text, says string }{
		{input("points=[[4,0],[20,1]]"), "points without a signal"},
		{input("signal={unit='mA'}"), "a signal without points"},
		{input("signal={unit='mA'}\npoints=[[4,0]]"), "two points are wanted"},
		{input("signal={unit='mA'}\npoints=[[4,0],[4,1]]"), "must differ in signal and in value"},
		{input("signal={unit='mA'}\npoints=[[4,0],['20',1]]"), "this is a text in quotes"},
		{input("signal={unit='psi'}\npoints=[[4,0],[20,1]]"), "no unit of current or voltage"},
		{input("signal={unit='mA'}\npoints=[[4,0],[20,1]]\nscale=0.1"), `"scale" and points exclude each other`},
		{input("signal={unit='mA',scale=0}\npoints=[[4,0],[20,1]]"), "every signal the same"},
		{input("signal={unit='mA',fault_below=30}\npoints=[[4,0],[20,1]]"), "leave no signal between them"},
		{input("signal={unit='V',scale=1e-300}\npoints=[[0,0],[1e300,1]]"), "no line goes through"},
		{input("inverted=true"), "only a bit can be inverted"},
		{input("bit=3\ninverted=1"), "this is a whole number"},
		{input("bit=3\nsignal={unit='V'}\npoints=[[0,0],[10,1]]"), `takes no "signal"`},
		{input("faults={0='none'}"), "code 0 means that there is no fault"},
		{input("faults={70000='x'}"), `"70000" cannot be a code in a u16`},
		{input("faults={hot='x'}"), `"hot" cannot be a code`},
		{input("faults={3=''}"), "the text of code 3 is empty"},
		{input("scale=0.1\nfaults={3='x'}"), "fault codes are whole numbers"},
		{"verify=[{table='holding',address=1,type='u16'}]\n" + input(""), `"equals" is missing`},
		{"verify=[{table='holding',address=1,type='u16',equals=65536}]\n" + input(""), "outside 0 to 65535"},
		{"verify=[{table='holding',address=65535,type='u32',equals=1}]\n" + input(""), "past 65535"},
		{"verify=[{table='holding',address=1,type='f32',equals=1}]\n" + input(""), `"f32" is not known`},
		{"verify=[{table='coil',address=1,type='u16',equals=1}]\n" + input(""), `does not fit table "coil"`},
		{"verify=[{table='holding',address=1,equal=1,equals=1}]\n" + input(""), `did you mean "equals"?`},
	} {
		if got := problemsIn(t, one(tt.text)).Error(); !strings.Contains(got, tt.says) {
			t.Errorf("%s\ngot %s\nwant %q", tt.text, got, tt.says)
		}
	}
}

func TestVerifyFaultsInverted(t *testing.T) {
	m := mustLoad(t, one(`addressing = "reference"
verify = [
  { address = 40101, type = "u16", equals = 4820 },
  { address = 10002, equals = 1 },
  { address = 30011, type = "i32", words = "little", equals = -5 },
]
[[channel]]
name = "code"
address = 30008
type = "u16"
role = "fault_code"
faults = { 3 = "high discharge temperature", 0x15 = "motor overload" }
[[channel]]
name = "load"
address = 10001
inverted = true
[[channel]]
name = "run"
address = 10002
inverted = false
`)).Devices[0].Map
	var places []string
	for i := range m.Verify {
		places = append(places, m.Verify[i].Place())
	}
	want := []string{"holding register 100 (u16)", "discrete input 1", "input register 10 (i32)"}
	if !slices.Equal(places, want) || m.Verify[0].Equals != 4820 || m.Verify[2].Equals != -5 || !m.Verify[2].Channel.WordsLittle {
		t.Errorf("verify: got %q, %+v", places, m.Verify)
	}
	if f := m.Channels[0].Faults; !maps.Equal(f, map[int64]string{3: "high discharge temperature", 21: "motor overload"}) {
		t.Errorf("faults: got %v", f)
	}
	if a, b := &m.Channels[1], &m.Channels[2]; !a.Inverted() || a.Scale != -1 || a.Offset != 1 || b.Inverted() || b.Scale != 1 || b.Offset != 0 {
		t.Errorf("inverted: got %+v and %+v", a, b)
	}
}

// TestSeveralMaps: the channels of all maps of a device are one list.
func TestSeveralMaps(t *testing.T) {
	const a, b, c = "maps/a.toml", "maps/b.toml", "maps/c.toml"
	site := func(named string) map[string]string {
		return map[string]string{
			inSite: "[[line]]\nname='n'\nkind='modbus-tcp'\naddress='h:1'\n[[device]]\nname='d'\nline='n'\n" + named + "\n",
			a:      "name='A'\nbridge=4\nverify=[{table='holding',address=1,type='u16',equals=1}]\n" + strings.ReplaceAll(input(""), "'a'", "'x'"),
			b:      "name='B'\nverify=[{table='holding',address=2,type='u16',equals=2}]\n" + strings.ReplaceAll(input("every='5s'"), "'a'", "'y'"),
			c:      strings.ReplaceAll(input(""), "'a'", "'x'"),
		}
	}
	for _, named := range []string{"maps=['maps/a.toml','maps/b.toml']", "map='maps/a.toml'\nmaps=['maps/b.toml']", "map='maps/a.toml'\nmaps='maps/b.toml'"} {
		s := mustLoad(t, site(named))
		d := &s.Devices[0]
		if m := d.Map; m.Name != "A + B" || m.Bridge != 4 || len(m.Channels) != 2 || len(m.Verify) != 2 || m.Verify[1].MapPath != b ||
			d.MapPath != "maps/a.toml, maps/b.toml" || m.Channels[0].Every.String() != "1s" || m.Channels[1].Every.String() != "5s" {
			t.Errorf("%s: got %+v, path %q", named, m, d.MapPath)
		}
		if _, y, ok := s.Channel("d.y"); !ok || y.Name != "y" {
			t.Errorf("%s: channel d.y is not there", named)
		}
	}
	for _, tt := range []struct{ named, says string }{
		{"maps=['maps/a.toml','maps/c.toml']", `channel "x" is in maps/a.toml and in maps/c.toml; rename it in one of the two`},
		{"maps=['maps/a.toml','maps/a.toml']", `the map "maps/a.toml" is named twice`},
		{"maps=['maps/a.toml','maps/none.toml']", "there is no file maps/none.toml"},
		{"maps=[]", "no map is named"},
		{"", `"map" is missing`},
	} {
		if got := problemsIn(t, site(tt.named)).Error(); !strings.Contains(got, tt.says) {
			t.Errorf("%q: got %s, want %q", tt.named, got, tt.says)
		}
	}
}

package analysis

import (
	"go/ast"
	"go/parser"
	"go/token"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"loadscribe/agent/air"
)

// TestFormulasGiveTheFigures reckons those formulas of docs/figures.md whose letters
// are figures themselves, and holds them to what is printed.
func TestFormulasGiveTheFigures(t *testing.T) {
	text, err := os.ReadFile("../../docs/figures.md")
	if err != nil {
		t.Fatal(err)
	}
	site := plant(t)
	rep := mustCompute(t, fold(site, handWorked(t).scans), site, monday, monday+hourMS)
	known := map[string]float64{"T_window": 3600}
	for _, f := range rep.Machines[0].Figures {
		if f.Value != nil {
			known[f.Name] = *f.Value
		}
	}
	for letter, figure := range map[string]string{"T_obs": "observed_time", "T_standby": "standby_time", "T_off": "off_time", "T_stopped": "stopped_time",
		"T_unl": "unloaded_time", "T_load": "loaded_time", "N_start": "starts", "N_load": "load_cycles", "A": "air_delivered", "P_load": "power_loaded",
		"E_run": "energy", "E_obs": "energy"} { // nothing is drawn while the motor stands
		v, ok := known[figure]
		if !ok {
			t.Fatalf("the hand-worked hour has no %s", figure)
		}
		known[letter] = v
	}
	known["T_start"], known["T_part"] = 10, 0
	known["Q_full"] = known["full_load_flow"] / 60
	known["p0"] = site.BarometerPa
	// Loaded the pressure rises evenly from 600 to 700 kPa.
	known["p_d"], known["p_rated"] = site.BarometerPa+650e3, site.BarometerPa+site.Machines[0].RatedPressurePa
	reckoned := 0
	for line := range strings.SplitSeq(string(text), "\n") {
		m := formulaRow.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		span := regexp.MustCompile("`([^`]+)`").FindStringSubmatch(m[2])
		want, has := known[m[1]]
		if span == nil || !has {
			continue
		}
		tree, err := parser.ParseExpr(span[1])
		if err != nil {
			continue // words
		}
		if got, ok := reckon(tree, known); ok {
			reckoned++
			// The pressure at which a machine loads and unloads is read in steps.
			if math.Abs(got-want) > 0.001*math.Abs(want) {
				t.Errorf("%s = %s gives %g, printed is %g", m[1], span[1], got, want)
			}
		}
	}
	if reckoned < 20 {
		t.Errorf("%d formulas could be reckoned, want 20", reckoned)
	}
}

// reckon is an expression's value, where all its letters are known.
func reckon(e ast.Expr, known map[string]float64) (float64, bool) {
	switch e := e.(type) {
	case *ast.ParenExpr:
		return reckon(e.X, known)
	case *ast.Ident:
		v, ok := known[e.Name]
		return v, ok
	case *ast.BasicLit:
		v, err := strconv.ParseFloat(e.Value, 64)
		return v, err == nil
	case *ast.CallExpr:
		if f, ok := e.Fun.(*ast.Ident); !ok || f.Name != "W" || len(e.Args) != 1 {
			return 0, false
		}
		x, ok := reckon(e.Args[0], known)
		return air.IsentropicW(1, 1, x), ok
	case *ast.BinaryExpr:
		x, okX := reckon(e.X, known)
		y, okY := reckon(e.Y, known)
		v := map[token.Token]float64{token.ADD: x + y, token.SUB: x - y, token.MUL: x * y, token.QUO: x / y}
		got, ok := v[e.Op]
		return got, ok && okX && okY
	}
	return 0, false
}

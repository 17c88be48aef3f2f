package chart

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// Colour arithmetic: sRGB to XYZ and its white (IEC 61966-2-1, from memory), CIE 1976
// L*a*b* (from memory), relative luminance and contrast (WCAG 2.2, definitions, from
// memory), and the simulation of Machado, Oliveira and Fernandes, "A Physiologically-based
// Model for Simulation of Color Vision Deficiency", IEEE TVCG 2009, severity 1.0 (from
// memory; that each row adds up to 1 is checked).
type vec [3]float64

var (
	toXYZ = [3]vec{{0.4124564, 0.3575761, 0.1804375}, {0.2126729, 0.7151522, 0.072175}, {0.0193339, 0.119192, 0.9503041}}
	sight = map[string][3]vec{
		"all three cones": {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
		"protanopia":      {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
		"deuteranopia":    {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.01182, 0.04294, 0.968881}},
		"tritanopia":      {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.3039}},
	}
)

func mul(m [3]vec, v vec) (out vec) {
	for i, r := range m {
		out[i] = r[0]*v[0] + r[1]*v[1] + r[2]*v[2]
	}
	return out
}

func linear(hex string) (out vec) {
	r, g, b := rgb(hex)
	for i, n := range []int{r, g, b} {
		c := float64(n) / 255
		if out[i] = c / 12.92; c > 0.04045 {
			out[i] = math.Pow((c+0.055)/1.055, 2.4)
		}
	}
	return out
}

func lab(v vec) vec {
	for i := range v {
		v[i] = min(1, max(0, v[i]))
	}
	v = mul(toXYZ, v)
	for i, white := range (vec{0.95047, 1, 1.08883}) {
		if t := v[i] / white; t > 216.0/24389 {
			v[i] = math.Cbrt(t)
		} else {
			v[i] = (t*24389/27 + 16) / 116
		}
	}
	return vec{116*v[1] - 16, 500 * (v[0] - v[1]), 200 * (v[1] - v[2])}
}

func lightness(hex string) float64 { return lab(linear(hex))[0] }

func difference(a, b string, m [3]vec) float64 {
	p, q := lab(mul(m, linear(a))), lab(mul(m, linear(b)))
	return math.Sqrt((p[0]-q[0])*(p[0]-q[0]) + (p[1]-q[1])*(p[1]-q[1]) + (p[2]-q[2])*(p[2]-q[2]))
}

func contrast(a, b string) float64 {
	x, y := mul(toXYZ, linear(a))[1], mul(toXYZ, linear(b))[1]
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// The arithmetic itself, or the checks below would prove nothing.
func TestColourArithmetic(t *testing.T) {
	for name, m := range sight {
		for _, r := range m {
			if math.Abs(r[0]+r[1]+r[2]-1) > 1e-5 {
				t.Errorf("%s: a row of the simulation adds up to %g", name, r[0]+r[1]+r[2])
			}
		}
	}
	if c := contrast("#000000", "#ffffff"); math.Abs(c-21) > 0.001 { // WCAG 2.2, note of contrast ratio
		t.Errorf("black on white has a contrast of %g, want 21", c)
	}
	red, green := "#b35a00", "#6f7a00"
	if n, d := difference(red, green, sight["all three cones"]), difference(red, green, sight["deuteranopia"]); n < 3*d {
		t.Errorf("red and green of equal lightness: %g apart, %g without green cones", n, d)
	}
}

// themes are the colours on white and on dark.
func themes() map[string]func(ink) string {
	return map[string]func(ink) string{
		"light": func(i ink) string { return palette[i].light },
		"dark":  func(i ink) string { return palette[i].dark },
	}
}

// TestPaletteContrast: text 4.5 to 1 (WCAG 2.2, 1.4.3), what carries meaning 3 to 1 (1.4.11).
func TestPaletteContrast(t *testing.T) {
	for theme, of := range themes() {
		need := func(a, b ink, least float64) {
			if c := contrast(of(a), of(b)); c < least {
				t.Errorf("%s: %s on %s has a contrast of %.2f, want %.1f", theme, palette[a].name, palette[b].name, c, least)
			}
		}
		for _, text := range []ink{inkText, inkMuted, inkLimit} {
			need(text, inkPaper, 4.5)
			need(text, inkSpan, 4.5)
		}
		for i := inkSeries1; i <= inkTripped; i++ {
			need(i, inkPaper, 3)
		}
		need(inkEdge, inkPaper, 3)
		need(inkHatch, inkPaper, 3)
		for k := range heatSteps {
			need(heatText(k), inkHeat0+ink(k), 4.5)
		}
	}
}

// TestPaletteApart: colours that stand beside one another are told apart by every sight
// (ten units of L*a*b*: common practice, no source); in grey by lightness, or else by
// the dash of a line, the height of a state.
func TestPaletteApart(t *testing.T) {
	const enough, greyEnough = 10, 8
	for theme, of := range themes() {
		pair := func(a, b ink, otherwise bool) {
			for name, m := range sight {
				if d := difference(of(a), of(b), m); d < enough {
					t.Errorf("%s, %s: %s and %s are %.1f apart", theme, name, palette[a].name, palette[b].name, d)
				}
			}
			if d := math.Abs(lightness(of(a)) - lightness(of(b))); d < greyEnough && !otherwise {
				t.Errorf("%s, grey: %s and %s are %.1f apart", theme, palette[a].name, palette[b].name, d)
			}
		}
		for i := range series {
			for j := range i {
				a, b := Series{Kind: i}, Series{Kind: j}
				pair(inkSeries1+ink(i), inkSeries1+ink(j), fmt.Sprint(dashes[a.stroke().dash]) != fmt.Sprint(dashes[b.stroke().dash]))
			}
		}
		for i, a := range ofState {
			for _, b := range ofState[:i] {
				if a.ink != inkNone && b.ink != inkNone {
					pair(a.ink, b.ink, math.Abs(a.height-b.height) > 0.1)
				}
			}
		}
		way := lightness(of(inkHeat6)) - lightness(of(inkHeat0))
		for k := range heatSteps - 1 { // a map runs one way, also in grey
			if d := lightness(of(inkHeat0+ink(k+1))) - lightness(of(inkHeat0+ink(k))); d*way <= 0 || math.Abs(d) < 5 {
				t.Errorf("%s: step %d of the map is %.1f from the one before", theme, k+1, d)
			}
		}
	}
}

// Each ink has a name of its own and both colours, and a page gets them all.
func TestPaletteWhole(t *testing.T) {
	seen := map[string]bool{}
	for i := inkText; i < inks; i++ {
		c := palette[i]
		if c.name == "" || seen[c.name] || len(c.light) != 7 || len(c.dark) != 7 {
			t.Errorf("ink %d: %+v", i, c)
		}
		seen[c.name] = true
		for dark, hex := range map[bool]string{false: c.light, true: c.dark} {
			if !strings.Contains(CSS(dark), "--chart-"+c.name+":"+hex+";") {
				t.Errorf("CSS(%v) lacks %s", dark, c.name)
			}
		}
	}
}

package replay

import (
	"encoding/csv"
	"os"
	"strconv"
	"testing"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// TestHandbookCurves holds the curves to testdata/vectors/part_load.csv: the average
// power tables (DOE/UMP and Sourcebook, from memory, ±3 points) and the open textbook
// (read). Below its least flow a machine unloads and the tables count both, so
// they are met from there up.
func TestHandbookCurves(t *testing.T) {
	f, err := os.Open("../../testdata/vectors/part_load.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	within := map[string]struct {
		control sitefile.Control
		points  float64
	}{
		"inlet_modulation_no_blowdown":   {sitefile.Modulating, 3},
		"vsd_with_unloading":             {sitefile.VariableSpeed, 3},
		"vsd_textbook":                   {sitefile.VariableSpeed, 6},
		"variable_displacement_textbook": {sitefile.VariableDisplacement, 0.1},
	}
	met := 0
	for _, row := range rows[1:] {
		want, ok := within[row[0]]
		if !ok {
			continue
		}
		flow, power := numberOf(t, row[1])/100, numberOf(t, row[2])
		if flow < leastShares[want.control] {
			continue
		}
		near(t, row[0]+" at "+row[1]+" %", 100*handbookAt(want.control, flow), power, want.points)
		met++
	}
	if met < 20 {
		t.Errorf("%d values met", met)
	}
}

// TestVariableSpeedIsDearerAtBothEnds: power over flow of a drive machine is least
// between part and full flow (from memory), and never better than a screw's flow
// alone: no share of power below that of the flow by more than 1 %.
func TestVariableSpeedIsDearerAtBothEnds(t *testing.T) {
	points := handbookCurves[sitefile.VariableSpeed]
	least, at := 10.0, 0.0
	for _, p := range points {
		if s := p.Power / p.Flow; s < least {
			least, at = s, p.Flow
		}
	}
	if at <= 0.5 || at >= 1 || least < 0.99 || points[0].Power/points[0].Flow < 1.5 {
		t.Errorf("the least power for a flow is %.3f at %.0f %%", least, 100*at)
	}
}

// TestCurveIsMadeWhole: a curve that was seen from 40 to 90 % goes on both ways, and
// what was seen stays.
func TestCurveIsMadeWhole(t *testing.T) {
	seen := []curvePoint{{0.4, gum.New(0.5, 0.01, "seen")}, {0.9, gum.New(0.93, 0.01, "seen")}}
	got := wholeCurve(seen, sitefile.VariableSpeed, "m")
	if len(got) != 4 || got[0].flow != 0 || got[3].flow != 1 || got[3].power.V != 1 || got[1].power.V != 0.5 {
		t.Fatalf("%+v", got)
	}
	if !(got[0].power.V > 0 && got[0].power.V < 0.5 && got[0].power.U() > got[1].power.U()) {
		t.Errorf("below what was seen: %g ± %g", got[0].power.V, got[0].power.U())
	}
}

func numberOf(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

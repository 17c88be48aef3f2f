package poll

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/sitefile"
)

func TestPlan(t *testing.T) {
	const in, hold, coil, disc = sitefile.Input, sitefile.Holding, sitefile.Coil, sitefile.Discrete
	run := func(table sitefile.Table, typ string, from, n, step int) (all []sitefile.MapChannel) {
		for i := range n {
			all = append(all, ch(fmt.Sprintf("%s%d", table, from+i*step), table, from+i*step, typ))
		}
		return all
	}
	bitOf := func(c sitefile.MapChannel, bit int) sitefile.MapChannel {
		c.Name, c.Bit = fmt.Sprintf("%s.%d", c.Name, bit), bit
		return c
	}
	tests := []struct {
		name     string
		bridge   int
		channels []sitefile.MapChannel
		want     []string
	}{
		{"neighbours make one request", 0, run(in, "u16", 4, 3, 1), []string{"4:4+3"}},
		{"order of the map does not matter", 0,
			[]sitefile.MapChannel{ch("c", in, 9, "u16"), ch("a", in, 7, "u16"), ch("b", in, 8, "u16")}, []string{"4:7+3"}},
		{"a hole as long as the bridge is read along", 8, []sitefile.MapChannel{ch("a", in, 0, "u16"), ch("b", in, 9, "u16")}, []string{"4:0+10"}},
		{"a longer hole is not", 8, []sitefile.MapChannel{ch("a", in, 0, "u16"), ch("b", in, 10, "u16")}, []string{"4:0+1", "4:10+1"}},
		{"bridge 0 reads no hole", 0, []sitefile.MapChannel{ch("a", in, 0, "u16"), ch("b", in, 2, "u16")}, []string{"4:0+1", "4:2+1"}},
		{"125 registers fit", 0, run(hold, "u16", 100, 125, 1), []string{"3:100+125"}},
		{"126 do not", 0, run(hold, "u16", 100, 126, 1), []string{"3:100+125", "3:225+1"}},
		{"a long value is not cut", 0, append(run(hold, "u16", 0, 124, 1), ch("long", hold, 124, "u32")), []string{"3:0+124", "3:124+2"}},
		{"four registers", 0, append(run(hold, "u16", 0, 122, 1), ch("long", hold, 122, "f64")), []string{"3:0+122", "3:122+4"}},
		{"2000 bits fit, 2001 do not", 0, run(coil, "bit", 0, 2001, 1), []string{"1:0+2000", "1:2000+1"}},
		{"each table on its own", 8, []sitefile.MapChannel{ch("h", hold, 0, "u16"), ch("d", disc, 0, "bit"),
			ch("i", in, 0, "u16"), ch("c", coil, 0, "bit")}, []string{"1:0+1", "2:0+1", "4:0+1", "3:0+1"}},
		{"bits of one register cost one register", 0, []sitefile.MapChannel{bitOf(ch("w", hold, 20, "u16"), 3),
			bitOf(ch("w", hold, 20, "u16"), 0), ch("w", hold, 20, "u16")}, []string{"3:20+1"}},
		{"values that overlap", 0, []sitefile.MapChannel{ch("whole", hold, 10, "u64"), ch("low", hold, 13, "u16"), ch("mid", hold, 11, "u32")},
			[]string{"3:10+4"}},
		{"the last address", 0, []sitefile.MapChannel{ch("a", in, 65535, "u16"), ch("b", in, 65533, "u32")}, []string{"4:65533+3"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			d, g := mapOf(tt.bridge, time.Second, tt.channels...)
			blocks, err := Plan(d, g)
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			seen := make([]int, len(g.Channels))
			for _, b := range blocks {
				if err := b.Request.Check(); err != nil {
					t.Errorf("%s: %v", b.Request, err)
				}
				got = append(got, fmt.Sprintf("%d:%d+%d", b.Request.Function, b.Request.Address, b.Request.Quantity))
				for _, f := range b.Fields {
					seen[f.Channel]++
					mc := d.Map.Channels[f.Channel]
					if int(b.Request.Address)+f.Offset != int(mc.Address) || f.Length != mc.Registers() || f.end() > int(b.Request.Quantity) {
						t.Errorf("field %+v of %s does not hold channel %+v", f, b.Request, mc)
					}
				}
			}
			if !slices.Equal(got, tt.want) {
				t.Errorf("got %v, want %v", got, tt.want)
			}
			for i, n := range seen {
				if n != 1 {
					t.Errorf("channel %d is read %d times", i, n)
				}
			}
		})
	}
}

func TestPlanErrors(t *testing.T) {
	tests := []struct {
		name    string
		channel sitefile.MapChannel
		want    string
	}{
		{"past the last address", ch("a", sitefile.Input, 65535, "u32"), `channel "a" reaches past address 65535: correct address or type in maps/a.toml`},
		{"unknown table", ch("a", "inputs", 1, "u16"), `table "inputs" is not known`},
	}
	for _, tt := range tests {
		d, g := mapOf(8, time.Second, tt.channel)
		if _, err := Plan(d, g); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %v, want %q", tt.name, err, tt.want)
		}
	}
	d, _ := mapOf(8, time.Second, ch("a", sitefile.Input, 1, "u16"))
	_, g := mapOf(8, time.Second, ch("b", sitefile.Input, 1, "u16"))
	if _, err := Plan(d, g); err == nil || !strings.Contains(err.Error(), `channel "b" is not in the map`) {
		t.Errorf("a channel of another map: got %v", err)
	}
}

// TestPlanIsFewest holds the planner to a slow search over all ways to cut the
// sorted channels into requests.
func TestPlanIsFewest(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	types := []string{"u16", "u32", "f64"}
	for round := range 500 {
		bridge := rng.IntN(12)
		var channels []sitefile.MapChannel
		for i := range 1 + rng.IntN(40) {
			channels = append(channels, ch(fmt.Sprint(i), sitefile.Holding, rng.IntN(400), types[rng.IntN(3)]))
		}
		d, g := mapOf(bridge, time.Second, channels...)
		blocks, err := Plan(d, g)
		if err != nil {
			t.Fatal(err)
		}
		if want := fewest(channels, bridge); len(blocks) != want {
			t.Fatalf("round %d: %d requests, want %d", round, len(blocks), want)
		}
	}
}

// fewest is a plain dynamic programme: best[i] covers the first i channels.
func fewest(channels []sitefile.MapChannel, bridge int) int {
	sorted := slices.Clone(channels)
	slices.SortFunc(sorted, func(a, b sitefile.MapChannel) int { return int(a.Address) - int(b.Address) })
	best := make([]int, len(sorted)+1)
	for i := 1; i <= len(sorted); i++ {
		best[i] = len(sorted) + 1
		for j := range i {
			if oneRequest(sorted[j:i], bridge) {
				best[i] = min(best[i], best[j]+1)
			}
		}
	}
	return best[len(sorted)]
}

func oneRequest(channels []sitefile.MapChannel, bridge int) bool {
	used := map[int]bool{}
	low, high := 1<<16, 0
	for _, c := range channels {
		for r := range c.Registers() {
			used[int(c.Address)+r] = true
		}
		low, high = min(low, int(c.Address)), max(high, int(c.Address)+c.Registers())
	}
	hole := 0
	for a := low; a < high; a++ {
		if hole++; used[a] {
			hole = 0
		}
		if hole > bridge {
			return false
		}
	}
	return high-low <= frame.MaxRegisters
}

func TestPieces(t *testing.T) {
	d, g := mapOf(8, time.Second, ch("a", sitefile.Input, 0, "u16"), ch("b", sitefile.Input, 1, "u32"),
		ch("c", sitefile.Input, 5, "u16"), ch("d", sitefile.Input, 7, "u32"), ch("e", sitefile.Input, 8, "u16"))
	blocks, err := Plan(d, g)
	if err != nil || len(blocks) != 1 {
		t.Fatalf("got %v, %v, want one block", blocks, err)
	}
	var got []string
	for _, p := range blocks[0].pieces() {
		got = append(got, p.Request.String())
	}
	want := []string{"input registers 0-2", "input register 5", "input registers 7-8"}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	if n := len(blocks[0].pieces()[0].pieces()); n != 1 {
		t.Errorf("a piece without holes was cut into %d", n)
	}
}

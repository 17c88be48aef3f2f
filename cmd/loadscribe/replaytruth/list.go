package replaytruth

import (
	"strconv"
	"time"

	"loadscribe/agent/replay"
	"loadscribe/cmd/loadscribe/airtruth"
)

// The kinds of change. Those of one kind are held to one ceiling.
const (
	Settings = "settings" // band, timer, schedule, guard, volume
	Demand   = "demand"   // leaks, users, what follows the pressure
	Control  = "control"  // another control kind of the same machine
	Machine  = "machine"  // another machine
	Several  = "several"  // machines that share the work
)

// sets makes settings of keys and values in turn.
func sets(words ...string) (all []replay.Setting) {
	for i := 0; i+1 < len(words); i += 2 {
		all = append(all, replay.Setting{Key: words[i], Value: words[i+1]})
	}
	return all
}

// Pairs are all pairs, with seeds from the first on and true flows spread from
// 12 % below to 5 % above the nameplate.
func Pairs(seed uint64) []Pair {
	all := append(settingPairs(), demandPairs()...)
	all = append(all, controlPairs()...)
	all = append(all, severalPairs()...)
	flows := airtruth.Flows(len(all))
	for i := range all {
		all[i].Seed, all[i].Flow = seed+uint64(i), flows[i]
	}
	return all
}

const (
	shop   = "joinery"
	large  = "short-cycling"
	hours  = "Mon-Fri 06:55-16:05"
	works  = "three-shifts"
	minute = time.Minute
)

func settingPairs() []Pair {
	return []Pair{
		{Name: "band narrower", Kind: Settings, Scenario: shop, Quick: true,
			Change: band("comp1", 102, 112), Set: sets("comp1.cut_in", "102 psi", "comp1.cut_out", "112 psi")},
		{Name: "band wider", Kind: Settings, Scenario: shop, Present: band("comp1", 106, 114),
			Change: band("comp1", 95, 120), Set: sets("comp1.cut_in", "95 psi", "comp1.cut_out", "120 psi")},
		{Name: "band lower", Kind: Settings, Scenario: shop, Present: band("comp1", 104, 120),
			Change: band("comp1", 92, 108), Set: sets("comp1.cut_in", "92 psi", "comp1.cut_out", "108 psi")},
		{Name: "band wider, machine too large", Kind: Settings, Scenario: large, Quick: true,
			Change: band("comp1", 95, 116), Set: sets("comp1.cut_in", "95 psi")},
		{Name: "timer shorter", Kind: Settings, Scenario: shop, Present: timer("comp1", 10*minute), Quick: true,
			Change: timer("comp1", 2*minute), Set: sets("comp1.no_load_stop", "2 min")},
		{Name: "timer shorter, machine too large", Kind: Settings, Scenario: large, Present: volume("receiver", 400),
			Change: timer("comp1", minute), Set: sets("comp1.no_load_stop", "1 min")},
		{Name: "timer longer", Kind: Settings, Scenario: shop, Present: both(timer("comp1", minute), volume("receiver", 400)),
			Change: timer("comp1", 15*minute), Set: sets("comp1.no_load_stop", "15 min")},
		{Name: "timer never", Kind: Settings, Scenario: shop, Present: both(timer("comp1", minute), volume("receiver", 400)),
			Change: timer("comp1", 0), Set: sets("comp1.no_load_stop", "never")},
		{Name: "schedule kept", Kind: Settings, Scenario: shop, Present: both(schedule(), leaking(20)), Quick: true,
			Change: schedule(hours), Set: sets("comp1.schedule", hours)},
		{Name: "schedule longer", Kind: Settings, Scenario: shop,
			Change: schedule("Mon-Fri 05:00-20:00"), Set: sets("comp1.schedule", "Mon-Fri 05:00-20:00")},
		{Name: "starts guard", Kind: Settings, Scenario: large,
			Present: both(timer("comp1", 30*time.Second), guard("comp1", 2*minute), volume("receiver", 240), band("comp1", 100, 118)),
			Change:  guard("comp1", 5*minute), Set: sets("comp1.least_between_starts", "5 min")},
		{Name: "volume up", Kind: Settings, Scenario: large, Quick: true,
			Change: volume("receiver", 400), Set: sets("volume_add", "320 gal")},
		{Name: "volume down", Kind: Settings, Scenario: shop,
			Change: volume("receiver", 120), Set: sets("volume", "155 gal")},
		{Name: "band narrower, two fifths unseen", Kind: Settings, Scenario: shop, Unseen: away,
			Change: band("comp1", 102, 112), Set: sets("comp1.cut_in", "102 psi", "comp1.cut_out", "112 psi")},
		{Name: "volume up, starved", Kind: Settings, Scenario: "storage-starved",
			Change: volume("receiver", 400), Set: sets("volume_add", "340 gal")},
		{Name: "band and timer, heatless dryer", Kind: Settings, Scenario: "heatless-dryer",
			Change: both(band("comp1", 92, 112), timer("comp1", 3*minute)),
			Set:    sets("comp1.cut_in", "92 psi", "comp1.cut_out", "112 psi", "comp1.no_load_stop", "3 min")},
	}
}

func demandPairs() []Pair {
	shift := []string{"Mon-Fri 07:00-16:00"}
	return []Pair{
		{Name: "leaks mended, left on over night", Kind: Demand, Scenario: "growing-leaks", Present: leaking(16), Quick: true,
			Change: leaks(0.4), Set: sets("leaks_mended", "60 %")},
		{Name: "leaks mended, scheduled", Kind: Demand, Scenario: shop, Present: both(schedule("Mon-Fri 04:00-20:00"), leaking(20)),
			Change: leaks(0.5), Set: sets("leaks_mended", "50 %")},
		{Name: "leaks mended, three shifts", Kind: Demand, Scenario: works, Untold: true, // no quiet hour shows them
			Change: leaks(0.5), Set: sets("leaks_mended", "50 %")},
		{Name: "user added", Kind: Demand, Scenario: shop, Quick: true,
			Change: crowd("press", 20, shift...), Set: sets("user.press", "+20 cfm "+shift[0])},
		{Name: "user added, machine too large", Kind: Demand, Scenario: large,
			Change: crowd("press", 40, shift...), Set: sets("user.press", "+40 cfm "+shift[0])},
		{Name: "user removed", Kind: Demand, Scenario: shop, Present: crowd("press", 30, shift...),
			Change: without("press"), Set: sets("user.press", "-30 cfm "+shift[0])},
		{Name: "band lower, all follow", Kind: Demand, Scenario: shop, Present: both(regulated(false), band("comp1", 104, 120)),
			Change: band("comp1", 90, 106), Set: sets("comp1.cut_in", "90 psi", "comp1.cut_out", "106 psi", "follows_pressure", "100 %")},
		{Name: "band lower, none follows", Kind: Demand, Scenario: shop, Present: both(regulated(true), leaking(1), band("comp1", 104, 120)),
			Change: band("comp1", 90, 106), Set: sets("comp1.cut_in", "90 psi", "comp1.cut_out", "106 psi", "follows_pressure", "2 %")},
	}
}

func controlPairs() []Pair {
	return []Pair{
		{Name: "modulating to load/unload", Kind: Control, Scenario: "modulate-then-unload", Present: controlled("modulating"),
			Change: controlled("load/unload"), Set: sets("comp1.control", "load/unload", "comp1.cut_in", "95 psi", "comp1.cut_out", "120 psi")},
		{Name: "modulate then unload to load/unload", Kind: Control, Scenario: "modulate-then-unload", Quick: true,
			Change: controlled("load/unload"), Set: sets("comp1.control", "load/unload")},
		{Name: "variable displacement to load/unload", Kind: Control, Scenario: "variable-displacement",
			Change: controlled("load/unload"), Set: sets("comp1.control", "load/unload")},
		{Name: "load/unload to variable displacement", Kind: Control, Scenario: shop, Change: controlled("variable displacement"),
			Set: sets("comp1.control", "variable displacement", "comp1.modulation", "12 psi", "comp1.least_share", "30 %")},
		{Name: "load/unload to modulating", Kind: Control, Scenario: shop,
			Change: controlled("modulating"), Set: sets("comp1.control", "modulating", "comp1.modulation", "12 psi")},
		{Name: "load/unload to start/stop", Kind: Control, Scenario: large, Present: volume("receiver", 400),
			Change: controlled("start/stop"), Set: sets("comp1.control", "start/stop")},
		{Name: "load/unload to variable speed", Kind: Control, Scenario: shop, Quick: true, Change: driven(100, 0.25),
			Set: sets("comp1.control", "variable speed", "comp1.target", "100 psi", "comp1.least_share", "25 %")},
		{Name: "load/unload to variable speed, machine too large", Kind: Control, Scenario: large, Change: driven(112, 0.3),
			Set: sets("comp1.control", "variable speed", "comp1.target", "112 psi", "comp1.least_share", "30 %")},
		{Name: "smaller machine", Kind: Machine, Scenario: large, Quick: true, Change: sized(90, 19, 25, 0.95),
			Set: sets("comp1.rated_flow", "90 cfm", "comp1.rated_pressure", "125 psi", "comp1.rated_power", "19 kW")},
		{Name: "larger machine", Kind: Machine, Scenario: shop, Change: sized(240, 47, 60, 1.02),
			Set: sets("comp1.rated_flow", "240 cfm", "comp1.rated_pressure", "125 psi", "comp1.rated_power", "47 kW")},
		{Name: "smaller variable-speed machine", Kind: Machine, Scenario: large,
			Change: both(sized(110, 23, 30, 0.9), driven(110, 0.25), taking(23)),
			Set: sets("comp1.rated_flow", "110 cfm", "comp1.rated_pressure", "125 psi", "comp1.rated_power", "23 kW",
				"comp1.control", "variable speed", "comp1.target", "110 psi", "comp1.least_share", "25 %")},
	}
}

func severalPairs() []Pair {
	return []Pair{
		{Name: "turns given up", Kind: Several, Scenario: works, Change: turns(0, 4),
			Set: sets("order", "fixed", "first", "base1, base2", "band_step", "4 psi")},
		{Name: "band lower, three machines", Kind: Several, Scenario: works,
			Change: both(band("base1", 92, 104), band("base2", 92, 104)),
			Set:    sets("base1.cut_in", "92 psi", "base1.cut_out", "104 psi", "base2.cut_in", "92 psi", "base2.cut_out", "104 psi")},
		{Name: "turns taken", Kind: Several, Scenario: works, Present: both(twins, band("base2", 91, 103)),
			Change: both(band("base2", 95, 107), turns(8*time.Hour, 4)),
			Set: sets("order", "rotating", "first", "base1, base2",
				"rotate_every", "8 h", "band_step", "4 psi")},
		{Name: "bands nearer", Kind: Several, Scenario: works, Present: both(twins, band("base2", 89, 101)), Quick: true,
			Change: band("base2", 93, 105), Set: sets("base2.cut_in", "93 psi", "base2.cut_out", "105 psi")},
		{Name: "timers shorter, two machines", Kind: Several, Scenario: works, Present: both(twins, band("base2", 91, 103)),
			Change: both(timer("base1", 2*minute), timer("base2", 2*minute)),
			Set:    sets("base1.no_load_stop", "2 min", "base2.no_load_stop", "2 min")},
	}
}

// away is two hours of each five, in 24 minutes of an hour.
func away(wallMS int64) bool { return wallMS%(5*12*60_000) < 2*12*60_000 }

// SpeedPairs are plants with a steady demand, as shares of the machine's flow in
// falling order, whose machine gets a drive and a target in the middle of its band.
// The first takes all that the machine gives, at a pressure within its band, so that
// it never unloads.
func SpeedPairs() (pairs []Pair, shares []float64) {
	shares = []float64{1, 0.8, 0.6, 0.4}
	for i, share := range shares {
		pairs = append(pairs, Pair{Name: "variable speed at " + strconv.FormatFloat(100*share, 'f', 0, 64) + " %", Kind: Control,
			Scenario: shop, Seed: uint64(900 + i), Flow: 0.97, Present: both(schedule(), leaking(0.1), steadily(share*0.97*185, share == 1)),
			Change: driven(108, 0.25), Set: sets("comp1.control", "variable speed", "comp1.target", "108 psi", "comp1.least_share", "25 %")})
	}
	return pairs, shares
}

// TooSmall is a change to a machine that cannot give what is asked.
func TooSmall() Pair {
	return Pair{Name: "machine too small", Kind: Machine, Scenario: shop, Seed: 77, Flow: 0.97, Change: sized(70, 15, 20, 0.97),
		Set: sets("comp1.rated_flow", "70 cfm", "comp1.rated_pressure", "125 psi", "comp1.rated_power", "15 kW")}
}

package report

import (
	"loadscribe/agent/sitefile"
)

// cautionsAlways hold for every plant (common practice, no source). The rules of the
// place come first.
var cautionsAlways = []string{
	"Machines start, load and stop by themselves at any moment, also while they seem to rest. Before a guard or a panel comes off, the machine is locked out, isolated and vented by the rules of the place, and its gauge shows nought.",
	"Compressed air injures and kills. No fitting is opened under pressure, no leak is felt for with the hand, no jet is turned on a person. Valves are opened and closed slowly, and only those whose effect is known: some feed brakes, clamps or breathing air.",
	"Safety valves and protections are never touched, blocked or set. A receiver is a pressure vessel: its inspection, repair and replacement are for those licensed for it.",
	"Oil, air end, coolers and pipes burn. Beside a running machine hearing is protected.",
	"Work on mains, motors, drives and meters is for licensed electricians. A current transformer whose secondary is opened while current flows kills: it is shorted first.",
	"Settings are changed one at a time, in small steps, by who is answerable for the plant, and the readings of the days after are looked at before the next.",
	"Local codes, the makers' instructions and licensed people decide over anything that is said here. This program only reads: it has changed nothing in the plant, and cannot.",
}

// cautions are what must be read before anything is changed.
func cautions(b *builder) []Section {
	s := Section{ID: "cautions", Title: "Before anything is changed", Level: 1}
	var always []Text
	for _, c := range cautionsAlways {
		always = append(always, say(c))
	}
	s.Blocks = append(s.Blocks, Block{Box: &Box{Kind: BoxCaution, Title: "Pressure, mains, hot oil, and machines that start by themselves", Blocks: []Block{{List: always}}}})
	if here := b.cautionsHere(); len(here) > 0 {
		s.Blocks = append(s.Blocks, Block{Box: &Box{Kind: BoxCaution, Title: "In this plant", Blocks: []Block{{List: here}}}})
	}
	if changes := b.cautionsOfChanges(); len(changes) > 0 {
		s.Blocks = append(s.Blocks, Block{Box: &Box{Kind: BoxCaution, Title: "Of the changes that this report weighs", Blocks: []Block{{List: changes}}}})
	}
	return []Section{s}
}

// cautionsHere follow from what the readings and the site file say of the plant.
func (b *builder) cautionsHere() (list []Text) {
	for i := range b.data.Figures.Machines {
		name := b.data.Figures.Machines[i].Machine
		if r := b.ofMachine(i, "standby_time"); r.has() && *r.Value > 0 {
			list = append(list, say(name+" stood for ", lasted(*r.Value, r.at+"/value", r.Value), " ready to start by itself without a warning."))
		}
		if r := b.ofMachine(i, "starts_after_power_failure"); r.has() && *r.Value > 0 {
			list = append(list, say(name+" started by itself after a power failure, times: ", b.figure(r), ". Whoever works on it while the mains are out must reckon with that."))
		}
		if r := b.ofMachine(i, "sump_pressure_residual"); r.has() {
			list = append(list, say("The sump of "+name+" keeps ", b.figure(r), " after it has blown down: it is never without pressure before it is vented by hand."))
		}
	}
	receivers := 0
	for i := range b.data.Site.Systems {
		receivers += vessels(&b.data.Site.Systems[i])
	}
	if receivers > 0 {
		list = append(list, say("Receivers hold their pressure after all machines have stopped; so do pipes behind check valves."))
	}
	return list
}

func vessels(s *sitefile.System) (n int) {
	for _, p := range s.Parts {
		if p.Kind == "receiver" {
			n++
		}
	}
	return n
}

// cautionsOfChanges are those of findings and alternatives, each once.
func (b *builder) cautionsOfChanges() (list []Text) {
	told := map[string]bool{}
	add := func(text string) {
		if text != "" && !told[text] {
			told[text] = true
			list = append(list, say(sentence(text)))
		}
	}
	for i := range b.doc.Findings {
		add(b.doc.Findings[i].Caution)
	}
	for i := range b.data.Replays {
		for k := range b.data.Replays[i].Results {
			for _, c := range b.data.Replays[i].Results[k].Cautions {
				add(c)
			}
		}
	}
	return list
}

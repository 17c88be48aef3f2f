package report

import "fmt"

// evidence is where the report comes from, how it is made again, and how it is checked.
func evidence(b *builder) []Section {
	made := b.doc.Made
	s := Section{ID: "evidence", Title: "Evidence: what this rests on, and how to make it again", Level: 1}
	s.Blocks = append(s.Blocks, para("Readings, events and settings are sealed into a log that can only grow, and its head is signed: the checkpoint below. Whoever holds a checkpoint that was kept outside the machine can prove later that nothing before it was altered, left out or put in. It proves nothing of what a sensor was fed, and nothing of what came after it."))
	facts := []Fact{
		{"Program", say("loadscribe " + made.Version)},
		{"Made", say(b.when(made.At) + " (" + made.At + ")")},
		{"Period", say(made.From + " to " + made.To + ", the end not included")},
		{"Site file and maps", say("SHA-256 over all of them: " + made.Hash)},
	}
	for _, f := range made.Files {
		facts = append(facts, Fact{f.Name, say("SHA-256 " + f.Hash)})
	}
	add := func(name, is string) {
		if is != "" {
			facts = append(facts, Fact{name, say(is)})
		}
	}
	if made.Checkpoint != "" {
		add("Log", made.Log)
		size := float64(made.Size)
		facts = append(facts, Fact{"Leaves under the checkpoint", say(Run{Text: fmt.Sprint(made.Size), At: "/made/size", Value: &size})})
		add("Root", made.Root)
		add("Key, its fingerprint", made.Key)
		if made.CoversTo != "" {
			add("Last reading under it", b.when(made.CoversTo))
		}
	}
	s.Blocks = append(s.Blocks, Block{Facts: facts})
	if made.Checkpoint == "" {
		why := made.Why
		if why == "" {
			why = "the record has no signed checkpoint yet: one is made at the turn of the hour, and when the agent stops"
		}
		s.Blocks = append(s.Blocks, gap("No checkpoint", why))
	} else {
		s.Blocks = append(s.Blocks, para("The checkpoint, as signed:"), Block{Plain: made.Checkpoint})
	}
	if made.Uncovered != "" {
		s.Blocks = append(s.Blocks, gap("Not all of the period is under the checkpoint", made.Uncovered))
	}
	if made.Command != "" {
		s.Blocks = append(s.Blocks, para("This makes the report again, byte for byte, with the same version of the program on the same record:"), Block{Plain: made.Command})
	}
	s.Blocks = append(s.Blocks, Block{List: []Text{
		say("loadscribe verify with --checkpoint report.json, or a file that has the text above, proves that the record still is the one this report was made from."),
		say("loadscribe summary with --json for the same period prints the figures that stand in report.json under data.figures."),
		say("Every number in the other files of the report stands in report.json, with its unit and in full."),
		say("Keep this report, or the checkpoint alone, in other hands than those that keep the machine."),
	}})
	return []Section{s}
}

package sitefile

// protocol is the protocol of the maps that go with a kind of line.
func (k LineKind) protocol() string {
	switch k {
	case Text:
		return "text"
	case FromFile:
		return "file"
	}
	return "modbus"
}

// Polled reports whether a device is asked or listened to; the readings of one
// on a line of kind FromFile come by import only.
func (s *Site) Polled(device string) bool {
	d, ok := s.DeviceByName(device)
	if !ok {
		return false
	}
	l, ok := s.LineByName(d.Line)
	return ok && l.Kind != FromFile
}

// refuseOnFileLine reports keys of lines that are opened.
func (s *section) refuseOnFileLine() {
	for _, key := range []string{"port", "serial", "address", "timeout", "turnaround", "echo", "listen", "listen_first"} {
		if s.table.find(key) != nil {
			e := s.entry(key)
			s.problem(e.at, key, "remove it, or change the kind", "nothing is opened for a line of kind %q, whose devices' readings are imported from files", FromFile)
		}
	}
}

// readFileMap reads a map of what a logger recorded: channels without a place
// in any register.
func readFileMap(root *section, m *RegisterMap) {
	channels := root.subs("channel")
	root.done()
	if len(channels) == 0 {
		root.problem(position{}, "channel", "add [[channel]] with name, role and unit", "the map has no channel")
	}
	m.readChannels(channels, readFileChannel)
}

// readFileChannel reads a channel of a file map. Which column of which file
// fills it, the import's own mapping says.
func readFileChannel(s *section) MapChannel {
	c := MapChannel{Name: s.ident("name", `name the channel, like name = "flow"`), Bit: -1}
	c.Type = s.choice("type", "decimal", "decimal", "bit")
	for _, key := range []string{"table", "address"} {
		if s.table.find(key) != nil {
			e := s.entry(key)
			s.problem(e.at, key, "remove it; the mapping given to import names the file's column", `a channel of a map with protocol = "file" is in no register`)
		}
	}
	s.readScaling(&c)
	s.readInverted(&c)
	c.Role = s.role("role", c.Unit)
	c.Every = s.period("every", 0)
	if c.IsBit() {
		s.refuse("a channel that is 0 or 1 takes none", "scale", "offset", "valid", "unit")
	}
	s.done()
	return c
}

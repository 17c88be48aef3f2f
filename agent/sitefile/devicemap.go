package sitefile

import (
	"slices"
	"strings"
)

// readDeviceMap reads map, maps or both: the register maps of a device, whose
// channels become one list. It returns the device's own copy with its period
// filled in, or nil where a map is unusable.
func (l *loader) readDeviceMap(s *section, d *Device) *RegisterMap {
	named := s.mapNames()
	var texts []string
	var maps []*RegisterMap
	usable := len(named) > 0
	for i, v := range named {
		if slices.Contains(texts, v.text) {
			s.problem(v.at, "maps", "name each map once", "the map %q is named twice", v.text)
			usable = false
			continue
		}
		texts = append(texts, v.text)
		key := "maps"
		if i == 0 && s.table.find("map") != nil {
			key = "map"
		}
		m := l.registerMap(s, key, v)
		usable = usable && m != nil
		maps = append(maps, m)
	}
	d.MapPath = strings.Join(texts, ", ")
	if !usable {
		return nil
	}
	own := s.merge(maps, named)
	for i := range own.Channels {
		if own.Channels[i].Every == 0 {
			own.Channels[i].Every = d.Every
		}
	}
	return own
}

// mapNames returns the maps that are named, that of map first.
func (s *section) mapNames() []*value {
	const mend = `name a register map, like map = "maps/screw-controller.toml"`
	several := s.entry("maps")
	var all []*value
	if several == nil {
		s.need("map", mend)
	}
	s.text("map", "")
	if e := s.table.find("map"); e != nil && e.value.kind == kindText {
		all = append(all, e.value)
	}
	if several != nil {
		list := s.texts("maps")
		if several.value.kind == kindList && len(several.value.list) == 0 {
			s.problem(several.value.at, "maps", mend, "no map is named")
		}
		all = append(all, list...)
	}
	return slices.DeleteFunc(all, func(v *value) bool {
		if v.text == "" {
			s.problem(v.at, "map", "name a register map", "the map's name is empty")
		}
		return v.text == ""
	})
}

// registerMap loads a map, once for all devices that name it. Nil: unusable,
// and complained of.
func (l *loader) registerMap(s *section, key string, v *value) *RegisterMap {
	path := l.below(v.text)
	m, loaded := l.maps[path]
	if loaded {
		return m
	}
	data, err := l.read(path)
	if err != nil {
		s.found.problems = append(s.found.problems, unreadable(s.file, s.path(key), v.at, path, err,
			"maps are found relative to the site file; correct the name or put the file there"))
	} else {
		l.addFile(v.text, path, true, data)
		m = readMap(path, data, l.found)
	}
	l.maps[path] = m
	return m
}

// merge joins the maps of one device. Holes are read along only where every
// map allows them as long.
func (s *section) merge(maps []*RegisterMap, named []*value) *RegisterMap {
	own := *maps[0]
	own.Channels, own.Verify = slices.Clone(own.Channels), slices.Clone(own.Verify)
	from := map[string]string{}
	for i := range own.Channels {
		from[own.Channels[i].Name] = own.Path
	}
	for k, m := range maps[1:] {
		at := named[k+1].at
		if m.Protocol != own.Protocol || own.Protocol == "text" {
			s.problem(at, "maps", "make each map a device of its own",
				"only Modbus maps, or maps of files, can be joined with their like, but %s is for protocol %q and %s for %q", maps[0].Path, own.Protocol, m.Path, m.Protocol)
			continue
		}
		own.Bridge = min(own.Bridge, m.Bridge)
		own.partial = own.partial || m.partial
		own.Verify = append(own.Verify, m.Verify...)
		if m.Name != "" {
			own.Name = strings.TrimPrefix(own.Name+" + "+m.Name, " + ")
		}
		own.Path += ", " + m.Path
		for i := range m.Channels {
			c := m.Channels[i]
			if first, taken := from[c.Name]; taken {
				s.problem(at, "maps", "rename it in one of the two", "channel %q is in %s and in %s", c.Name, first, m.Path)
				continue
			}
			from[c.Name] = m.Path
			own.Channels = append(own.Channels, c)
		}
	}
	return &own
}

package replay

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// changes are the settings of an alternative, read and checked one by one; what
// they mean together is checked where they are put into a plant.
type changes struct {
	machines []*machineChange // in the order in which they are first named
	plant    plantChange
	keys     []string // all that were set
}

// machineChange is what is asked of one machine. Nil: as it is.
type machineChange struct {
	name             string
	added            bool
	remove           bool
	cutInPa          *float64
	cutOutPa         *float64
	targetPa         *float64
	noLoadStopS      *float64
	leastBetweenS    *float64
	always           bool
	schedule         []sitefile.WeekWindow
	control          *sitefile.Control
	modulationPa     *float64
	leastShare       *float64
	replace          *Listed
	ratedFlowM3S     *float64
	ratedPressurePa  *float64
	ratedPowerW      *float64
	unloadedPowerW   *float64
	otherThanTheList []string // keys that make it another machine, for messages
}

// plantChange is what is asked of the plant as a whole. Nil: as it is.
type plantChange struct {
	volumeM3    *float64
	addM3       *float64
	leaksMended float64
	users       []userChange
	followShare *float64
	order       string // "", fixed or rotating
	first       []string
	rotateS     *float64
	bandStepPa  *float64
	base        []string
	trim        string
}

// userChange is air that somebody takes beside what was taken, or no longer takes.
type userChange struct {
	name    string
	flowM3S float64 // below 0: no longer
	windows []sitefile.WeekWindow
	shifts  bool // the site's
}

// grammar reads settings for one site, system and list.
type grammar struct {
	site     *sitefile.Site
	machines []string // of the system
	listed   []Listed
}

// read reads the settings of an alternative. The error is a *RequestError.
func (g *grammar) read(alt Alternative) (*changes, error) {
	c := &changes{}
	settings := slices.Clone(alt.Set)
	// A machine must have been added before its keys mean anything.
	slices.SortStableFunc(settings, func(a, b Setting) int {
		return boolRank(!strings.HasPrefix(a.Key, addPrefix)) - boolRank(!strings.HasPrefix(b.Key, addPrefix))
	})
	for _, s := range settings {
		key := strings.TrimSpace(s.Key)
		if slices.Contains(c.keys, key) {
			return nil, refuse(key, "it is set twice in one alternative; remove one, or make two alternatives of them")
		}
		if err := g.readOne(c, key, strings.TrimSpace(s.Value)); err != nil {
			return nil, err
		}
		c.keys = append(c.keys, key)
	}
	return c, nil
}

func boolRank(b bool) int {
	if b {
		return 1
	}
	return 0
}

const (
	addPrefix  = "add."
	userPrefix = "user."
)

func (g *grammar) readOne(c *changes, key, value string) error {
	if name, ok := strings.CutPrefix(key, addPrefix); ok {
		return g.readAdd(c, key, name, value)
	}
	if name, ok := strings.CutPrefix(key, userPrefix); ok {
		return g.readUser(c, key, name, value)
	}
	if k, ok := plantKeys[key]; ok {
		return k.read(g, &c.plant, key, value)
	}
	for _, name := range g.names(c) {
		short, ok := strings.CutPrefix(key, name+".")
		if !ok {
			continue
		}
		k, ok := machineKeys[short]
		if !ok {
			return g.unknown(c, key)
		}
		m := c.of(name)
		if err := k.read(g, m, key, value); err != nil {
			return err
		}
		if k.another {
			m.otherThanTheList = append(m.otherThanTheList, key)
		}
		return nil
	}
	return g.unknown(c, key)
}

// of returns what is asked of a machine.
func (c *changes) of(name string) *machineChange {
	for _, m := range c.machines {
		if m.name == name {
			return m
		}
	}
	c.machines = append(c.machines, &machineChange{name: name})
	return c.machines[len(c.machines)-1]
}

// names are those of machines that keys may begin with, the longest first: a name
// may have a point in it.
func (g *grammar) names(c *changes) []string {
	all := slices.Clone(g.machines)
	for _, m := range c.machines {
		if m.added {
			all = append(all, m.name)
		}
	}
	slices.SortStableFunc(all, func(a, b string) int { return len(b) - len(a) })
	return all
}

// unknown says which key may have been meant.
func (g *grammar) unknown(c *changes, key string) error {
	var known []string
	for _, name := range g.names(c) {
		for _, k := range sortedKeys(machineKeys) {
			known = append(known, name+"."+k)
		}
	}
	known = append(known, sortedKeys(plantKeys)...)
	if near := quantity.Nearest(key, known); near != "" {
		return refuse(key, "unknown setting; did you mean %q?", near)
	}
	return refuse(key, "unknown setting; there are NAME.%s for the machines %s; and for the plant %s, user.NAME, add.NAME",
		strings.Join(sortedKeys(machineKeys), ", ."), strings.Join(g.names(c), ", "), strings.Join(sortedKeys(plantKeys), ", "))
}

// sortedKeys lists a table's keys in order.
func sortedKeys[V any](table map[string]V) []string {
	all := make([]string, 0, len(table))
	for k := range table {
		all = append(all, k)
	}
	slices.Sort(all)
	return all
}

func (g *grammar) readAdd(c *changes, key, name, value string) error {
	if name == "" || strings.ContainsAny(name, ". ,=") {
		return refuse(key, "name the machine after \"add.\" without point, comma or space, like add.comp2")
	}
	if slices.Contains(g.machines, name) {
		return refuse(key, "there is a machine %q already; give the new one another name", name)
	}
	listed, err := g.find(key, value)
	if err != nil {
		return err
	}
	m := c.of(name)
	m.added, m.replace = true, listed
	return nil
}

// find looks a machine up in the list.
func (g *grammar) find(key, id string) (*Listed, error) {
	var known []string
	for i := range g.listed {
		if g.listed[i].ID == id {
			return &g.listed[i], nil
		}
		known = append(known, g.listed[i].ID)
	}
	if near := quantity.Nearest(id, known); near != "" {
		return nil, refuse(key, "the list of machines has no %q; did you mean %q?", id, near)
	}
	return nil, refuse(key, "the list of machines has no %q; it has %s", id, strings.Join(known, ", "))
}

// readUser reads "+20 cfm Mon-Fri 07:00-16:00", "-5 cfm shifts" or "+3 cfm".
func (g *grammar) readUser(c *changes, key, name, value string) error {
	const form = `write it like "+20 cfm Mon-Fri 07:00-16:00", "-5 cfm shifts" or "+3 cfm always"`
	if name == "" {
		return refuse(key, "name the user after \"user.\", like user.blast_cabinet")
	}
	fields := strings.Fields(value)
	for n := min(len(fields), 2); n >= 1; n-- {
		flow, err := g.flow(key, strings.Join(fields[:n], " "))
		if err != nil {
			if n == 1 {
				return refuse(key, "%s; %s", messageOf(err), form)
			}
			continue
		}
		u := userChange{name: name, flowM3S: flow}
		if u.flowM3S == 0 || !strings.HasPrefix(value, "+") && !strings.HasPrefix(value, "-") {
			return refuse(key, "%q does not say whether the air is taken or saved; %s", value, form)
		}
		switch rest := strings.Join(fields[n:], " "); rest {
		case "", "always":
		case "shifts":
			if len(g.site.Shifts) == 0 {
				return refuse(key, "the site file has no shifts; write the times, or give it shifts = [\"Mon-Fri 07:00-16:00\"]")
			}
			u.shifts = true
		default:
			if u.windows, err = g.windows(key, rest); err != nil {
				return err
			}
		}
		c.plant.users = append(c.plant.users, u)
		return nil
	}
	return refuse(key, "it is empty; %s", form)
}

// messageOf is what an error of this package says beside its field.
func messageOf(err error) string {
	if wrong := (*RequestError)(nil); errors.As(err, &wrong) {
		return wrong.Message
	}
	return err.Error()
}

// windows reads "Mon-Fri 06:55-16:05; Sat 07:00-12:00".
func (g *grammar) windows(key, value string) ([]sitefile.WeekWindow, error) {
	var all []sitefile.WeekWindow
	for text := range strings.SplitSeq(value, ";") {
		w, err := sitefile.ParseWindow(strings.TrimSpace(text))
		if err != nil {
			return nil, refuse(key, "%v; several have a semicolon between them", err)
		}
		all = append(all, w)
	}
	return all, nil
}

// FlagsOf are the flags of the command that try the settings again.
func FlagsOf(set []Setting) string {
	flags := make([]string, len(set))
	for i, s := range set {
		flags[i] = "--set " + shellQuoted(s.Key+"="+s.Value)
	}
	return strings.Join(flags, " ")
}

// shellQuoted is a text as a shell takes it unchanged. Double quotes do in every
// usual shell, that of Windows too, unless the text has what a shell reads in them.
func shellQuoted(text string) string {
	if !strings.ContainsAny(text, "\"'$`\\!") {
		return `"` + text + `"`
	}
	return fmt.Sprintf("'%s'", strings.ReplaceAll(text, "'", `'\''`))
}

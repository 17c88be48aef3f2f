package service

import (
	"fmt"
	"strings"
)

// unitPath writes a path into a setting of a unit: quoted, with specifiers and escapes
// made plain (systemd.unit(5), systemd.syntax(7)).
func unitPath(path string) string {
	r := strings.NewReplacer(`\`, `\\`, `"`, `\"`, `%`, `%%`)
	text := r.Replace(path)
	if strings.ContainsAny(path, " '\"\\;#") {
		return `"` + text + `"`
	}
	return text
}

// unitArgument writes an argument of a command line, where $ begins a variable as well
// (systemd.service(5)).
func unitArgument(text string) string { return strings.ReplaceAll(unitPath(text), "$", "$$") }

// unitBind writes a path of BindPaths= and BindReadOnlyPaths=, where a colon divides.
func unitBind(path string) string {
	return unitPath(strings.ReplaceAll(path, ":", `\:`))
}

// checkPath refuses what no unit can name: a line break would begin another setting.
func checkPath(path string) error {
	for _, r := range path {
		if r < ' ' || r == 0x7f {
			return Problem{fmt.Sprintf("the path %q has a control character", path), "rename the file or the folder"}
		}
	}
	return nil
}

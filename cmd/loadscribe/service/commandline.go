package service

import "strings"

// windowsCommandLine puts a program and its arguments into one line as programs of Windows
// take it apart again: the rules of "Parsing C command-line arguments" (Microsoft's C
// documentation). The program is always quoted: an unquoted path with a blank would
// let another program be started in its place.
func windowsCommandLine(program string, args ...string) string {
	line := `"` + program + `"` // a path has no quotes
	for _, a := range args {
		line += " " + windowsArgument(a)
	}
	return line
}

func windowsArgument(a string) string {
	if a != "" && !strings.ContainsAny(a, " \t\n\v\"") {
		return a
	}
	var b strings.Builder
	b.WriteByte('"')
	slashes := 0
	for i := 0; i < len(a); i++ {
		switch a[i] {
		case '\\':
			slashes++
			continue
		case '"': // backslashes before a quote count double, and one more escapes it
			b.WriteString(strings.Repeat(`\`, 2*slashes+1))
		default:
			b.WriteString(strings.Repeat(`\`, slashes))
		}
		slashes = 0
		b.WriteByte(a[i])
	}
	b.WriteString(strings.Repeat(`\`, 2*slashes) + `"`)
	return b.String()
}

// windowsLogs is the folder in the data of a service on Windows that it logs to.
const windowsLogs = "log"

// windowsRun are the arguments of a service on Windows, which has no standard error: without
// a log of the site's own it logs below its data.
func (p *Plan) windowsRun() []string {
	args := []string{"run", "--site", p.Site}
	if p.Log == "" {
		args = append(args, "--log", p.Data+`\`+windowsLogs+`\loadscribe.log`)
	}
	return args
}

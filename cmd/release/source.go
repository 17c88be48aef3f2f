package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Source is the tree that is released.
type Source struct {
	Root    string
	Version string    // as git describes it, without the tag's v: 1.2.0, 1.2.0-7-g0123456789ab, 0123456789ab; -dirty where the tree is
	Commit  string    // whole hash
	Time    time.Time // of the commit, or SOURCE_DATE_EPOCH; UTC
	files   []string  // that git knows, by path with slashes
	texts   identified
}

// describe names a version of the tree, as the Makefile does. A hash has its length given: git's own
// choice depends on what else is in somebody's clone, and the same commit must give the same bytes.
var describe = []string{"describe", "--tags", "--match=v[0-9]*", "--always", "--abbrev=12", "--dirty"}

// openSource asks git what the tree is.
func openSource(ctx context.Context, root, version string) (*Source, error) {
	root, err := filepath.Abs(root)
	if err != nil {
		return nil, err
	}
	s := &Source{Root: root, Version: version}
	ask := func(args ...string) string {
		out, other := run(ctx, root, nil, "git", args...)
		if err == nil {
			err = other
		}
		return strings.TrimSpace(out)
	}
	s.Commit = ask("rev-parse", "HEAD")
	stamp := ask("log", "-1", "--format=%ct")
	s.files = strings.Split(strings.TrimSuffix(ask("ls-files", "-z"), "\x00"), "\x00")
	if s.Version == "" {
		s.Version = strings.TrimPrefix(ask(describe...), "v")
	}
	if err != nil {
		return nil, err
	}
	if given := os.Getenv("SOURCE_DATE_EPOCH"); given != "" { // reproducible-builds.org/specs/source-date-epoch
		stamp = given
	}
	seconds, err := strconv.ParseInt(stamp, 10, 64)
	if err != nil {
		return nil, fmt.Errorf("the time of the source: %w", err)
	}
	s.Time = time.Unix(seconds, 0).UTC()
	if !regexp.MustCompile(`^[0-9A-Za-z][0-9A-Za-z.+-]*$`).MatchString(s.Version) {
		err = fmt.Errorf("%q is no version: use letters, digits, dots, + and -", s.Version)
	}
	return s, err
}

// baseName is what the files of a target are named after.
func (s *Source) baseName(t Target) string { return "loadscribe-" + s.Version + "-" + t.String() }

var described = regexp.MustCompile(`^([0-9]+\.[0-9]+\.[0-9]+)(-[0-9A-Za-z.]+?)??(?:-([0-9]+)-g([0-9a-f]+))?(-dirty)?$`)

// debianVersion is the version as dpkg orders it (deb-version(7)): a pre-release (1.0.0-rc.1)
// comes before its release, commits after a tag come after it, and without a tag the time
// says which is newer: a clone that is not whole cannot count commits.
func (s *Source) debianVersion() string {
	m := described.FindStringSubmatch(s.Version)
	if m == nil {
		return fmt.Sprintf("0.0.0+%s.%s", s.Time.Format("20060102150405"), strings.ReplaceAll(s.Version, "-", "."))
	}
	v := m[1]
	if m[2] != "" {
		v += "~" + m[2][1:]
	}
	if m[3] != "" {
		v += "+" + m[3] + ".g" + m[4]
	}
	return v + strings.Replace(m[5], "-", "+", 1)
}

// below lists the files of the tree in a folder, or the file itself, as git has them.
func (s *Source) below(path string) []string {
	return slices.DeleteFunc(slices.Clone(s.files), func(f string) bool { return f != path && !strings.HasPrefix(f, path+"/") })
}

func (s *Source) read(path string) ([]byte, error) {
	return os.ReadFile(filepath.Join(s.Root, filepath.FromSlash(path)))
}

// run runs a program in a folder and returns its standard output.
func run(ctx context.Context, dir string, env []string, program string, args ...string) (string, error) {
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Dir = dir
	cmd.Env = append(append(os.Environ(), "LC_ALL=C"), env...)
	var out, complaint bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &complaint
	if err := cmd.Run(); err != nil {
		return "", fmt.Errorf("%s %s: %w\n%s", program, strings.Join(args, " "), err, strings.TrimSpace(complaint.String()))
	}
	return out.String(), nil
}

func sha256Of(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:])
}

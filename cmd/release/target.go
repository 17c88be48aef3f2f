package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Target is a system that is released for.
type Target struct {
	OS, Arch string // as Go names them
	ARM      string // GOARM; empty: not an ARM of 32 bits
	Debian   string // Debian's name of the architecture; empty: no package
}

// targets are all of them.
var targets = []Target{
	{OS: "windows", Arch: "amd64"},
	{OS: "linux", Arch: "amd64", Debian: "amd64"},
	{OS: "linux", Arch: "arm64", Debian: "arm64"},
	{OS: "linux", Arch: "arm", ARM: "7", Debian: "armhf"},
	{OS: "darwin", Arch: "arm64"},
}

// String is the name of a target in file names and on the command line.
func (t Target) String() string {
	arch := t.Arch
	if t.ARM != "" {
		arch += "v" + t.ARM
	}
	return t.OS + "-" + arch
}

func (t Target) archiveEnd() string {
	if t.OS == "windows" {
		return ".zip"
	}
	return ".tar.gz"
}

func (t Target) program() string {
	if t.OS == "windows" {
		return "loadscribe.exe"
	}
	return "loadscribe"
}

// environment is what makes Go build for a target, and the same everywhere: settings of
// who builds must not change the binary.
func (t Target) environment() []string {
	return []string{"GOOS=" + t.OS, "GOARCH=" + t.Arch, "GOARM=" + t.ARM, "CGO_ENABLED=0", "GOFLAGS=", "GOAMD64=v1", "GOARM64=v8.0",
		"GOEXPERIMENT=", "GOFIPS140=off", "GOWORK=off"}
}

func chooseTargets(names string) ([]Target, error) {
	if names == "" {
		return targets, nil
	}
	var chosen []Target
	for name := range strings.SplitSeq(names, ",") {
		i := slices.IndexFunc(targets, func(t Target) bool { return t.String() == name })
		if i < 0 {
			return nil, fmt.Errorf("no target %q; there are %v", name, targets)
		}
		chosen = append(chosen, targets[i])
	}
	return chosen, nil
}

// Binary is a program that was built.
type Binary struct {
	File    string
	Content []byte
}

// build makes the binary of a target. Paths of this computer and git's state stay out of
// it; version and commit are put in by name.
func build(ctx context.Context, source *Source, t Target, work string) (*Binary, error) {
	file := filepath.Join(work, t.String(), t.program())
	flags := fmt.Sprintf("-s -w -X main.version=%s -X main.commit=%s", source.Version, source.Commit)
	_, err := run(ctx, source.Root, t.environment(), "go", "build", "-trimpath", "-buildvcs=false", "-ldflags", flags, "-o", file, "./cmd/loadscribe")
	if err != nil {
		return nil, err
	}
	content, err := os.ReadFile(file)
	return &Binary{File: file, Content: content}, err
}

package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"
)

// options are the command line's.
type options struct {
	root    string // of the tree
	out     string // folder of the results; emptied first
	targets string // names of targets, separated by commas; empty: all
	nfpm    string // module path and version of nfpm; empty: no Debian packages
	version string // instead of git's
}

func main() {
	var o options
	flag.StringVar(&o.root, "root", ".", "folder of the tree")
	flag.StringVar(&o.out, "out", "release", "folder to make; what is in it is deleted first")
	flag.StringVar(&o.targets, "targets", "", "only these, separated by commas, like linux-amd64")
	flag.StringVar(&o.nfpm, "nfpm", "", "module path@version of the program that makes .deb files; empty: none are made")
	flag.StringVar(&o.version, "version", "", "version to release; empty: what git describes")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := release(ctx, o, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "release:", err)
		os.Exit(1)
	}
}

// release makes everything, or nothing is left that could be taken for it: the checksums
// are written last.
func release(ctx context.Context, o options, say io.Writer) error {
	source, err := openSource(ctx, o.root, o.version)
	if err != nil {
		return err
	}
	chosen, err := chooseTargets(o.targets)
	if err != nil {
		return err
	}
	if err := emptyFolder(o.out); err != nil {
		return err
	}
	fmt.Fprintf(say, "loadscribe %s, commit %.12s, dated %s\n", source.Version, source.Commit, source.Time.Format("2006-01-02T15:04:05Z"))
	work, err := os.MkdirTemp("", "loadscribe-release")
	if err != nil {
		return err
	}
	defer os.RemoveAll(work)
	made := make([][]string, len(chosen))
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(runtime.NumCPU()) // linking and packing use one core each
	for i, t := range chosen {
		group.Go(func() (err error) {
			if made[i], err = releaseTarget(ctx, source, t, o, work); err != nil {
				return fmt.Errorf("%s: %w", t, err)
			}
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return err
	}
	return writeSums(o.out, slices.Concat(made...), say)
}

// releaseTarget makes the files of one target and returns their names.
func releaseTarget(ctx context.Context, source *Source, t Target, o options, work string) ([]string, error) {
	binary, err := build(ctx, source, t, work)
	if err != nil {
		return nil, err
	}
	parts, err := components(ctx, source, t, binary)
	if err != nil {
		return nil, err
	}
	bill, err := billOf(source, t, binary, parts)
	if err != nil {
		return nil, err
	}
	files, err := archiveFiles(source, t, binary, parts, bill)
	if err != nil {
		return nil, err
	}
	base := source.baseName(t)
	archive, list := base+t.archiveEnd(), base+".spdx.json"
	if err := pack(filepath.Join(o.out, archive), base, files, source.Time); err != nil {
		return nil, err
	}
	if err := os.WriteFile(filepath.Join(o.out, list), bill, 0o644); err != nil {
		return nil, err
	}
	made := []string{archive, list}
	if o.nfpm != "" && t.Debian != "" {
		deb, err := makeDeb(ctx, source, t, o, work, files)
		if err != nil {
			return nil, err
		}
		made = append(made, deb)
	}
	return made, nil
}

// emptyFolder makes a folder, or empties the files of an earlier release out of it. A
// folder with anything else in it is refused.
func emptyFolder(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	there, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, e := range there {
		if e.Name() != sumsName && !strings.HasPrefix(e.Name(), "loadscribe") {
			return fmt.Errorf("%s holds %s, which is of no release: give another folder with -out", dir, e.Name())
		}
	}
	var errs []error
	for _, e := range there {
		errs = append(errs, os.Remove(filepath.Join(dir, e.Name())))
	}
	return errors.Join(errs...)
}

const sumsName = "SHA256SUMS"

// writeSums writes the checksums as sha256sum -c reads them, and says what was made.
func writeSums(dir string, names []string, say io.Writer) error {
	var text strings.Builder
	for _, name := range slices.Sorted(slices.Values(names)) {
		content, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			return err
		}
		fmt.Fprintf(&text, "%s  %s\n", sha256Of(content), name)
		fmt.Fprintf(say, "%10d  %s\n", len(content), name)
	}
	return os.WriteFile(filepath.Join(dir, sumsName), []byte(text.String()), 0o644)
}

package main

import (
	"context"
	"embed"
	"encoding/json"
	"fmt"
	"os"
	"path"
	"path/filepath"

	"loadscribe/cmd/loadscribe/service"
)

// scripts are what dpkg runs. See deb-preinst(5), deb-postinst(5), deb-prerm(5), deb-postrm(5).
//
//go:embed debian
var scripts embed.FS

// The parts of nfpm's configuration that are used (nfpm.goreleaser.com). It is YAML, of
// which JSON is a part.
type (
	nfpmConfig struct {
		Name        string        `json:"name"`
		Arch        string        `json:"arch"`
		Platform    string        `json:"platform"`
		Version     string        `json:"version"`
		Schema      string        `json:"version_schema"`
		Section     string        `json:"section"`
		Priority    string        `json:"priority"`
		Maintainer  string        `json:"maintainer"`
		Description string        `json:"description"`
		Licence     string        `json:"license"`
		Recommends  []string      `json:"recommends"`
		Time        string        `json:"mtime"`
		Contents    []nfpmContent `json:"contents"`
		Scripts     nfpmScripts   `json:"scripts"`
	}
	nfpmContent struct {
		From string   `json:"src,omitempty"`
		To   string   `json:"dst"`
		Type string   `json:"type,omitempty"`
		Info nfpmInfo `json:"file_info,omitzero"`
	}
	nfpmInfo struct {
		Mode  int    `json:"mode"`
		Owner string `json:"owner"`
		Group string `json:"group"`
		Time  string `json:"mtime"`
	}
	nfpmScripts struct {
		PreInstall  string `json:"preinstall"`
		PostInstall string `json:"postinstall"`
		PreRemove   string `json:"preremove"`
		PostRemove  string `json:"postremove"`
	}
)

const (
	maintainer = "loadscribe maintainers <maintainers@loadscribe.invalid>"
	docFolder  = "/usr/share/doc/loadscribe"
)

// makeDeb makes a target's package of the files of its archive, and returns its name.
func makeDeb(ctx context.Context, source *Source, t Target, o options, work string, files []File) (string, error) {
	folder := filepath.Join(work, "deb-"+t.String())
	at := source.Time.Format("2006-01-02T15:04:05Z")
	config := nfpmConfig{Name: "loadscribe", Arch: t.Debian, Platform: "linux", Version: source.debianVersion(), Schema: "none", Section: "utils", Priority: "optional",
		Maintainer: maintainer, Licence: "Apache-2.0", Recommends: []string{"ca-certificates"}, Time: at,
		Description: "listens to air compressors, keeps every reading\n" +
			"Sits beside an air compressor, listens to its controller and meters over\nModbus, keeps every reading and serves figures, pages and reports made of\n" +
			"them. It only reads: nothing is ever written to a controller.\n.\nThe package installs the service, which is not started before there is a\nsite file, /etc/loadscribe/site.toml."}
	for i, f := range debFiles(source, t, files) {
		from := filepath.Join(folder, fmt.Sprint(i))
		if err := writeWhole(from, f.Content); err != nil {
			return "", err
		}
		config.Contents = append(config.Contents, nfpmContent{From: from, To: f.Name, Info: nfpmInfo{int(f.mode()), "root", "root", at}})
	}
	config.Contents = append(config.Contents, nfpmContent{To: path.Dir(service.ForPackage().Site), Type: "dir", Info: nfpmInfo{0o755, "root", "root", at}})
	for name, to := range map[string]*string{"preinst": &config.Scripts.PreInstall, "postinst": &config.Scripts.PostInstall,
		"prerm": &config.Scripts.PreRemove, "postrm": &config.Scripts.PostRemove} {
		text, err := scripts.ReadFile("debian/" + name)
		if err != nil {
			return "", err
		}
		*to = filepath.Join(folder, name)
		if err := writeWhole(*to, text); err != nil {
			return "", err
		}
	}
	text, err := json.Marshal(config)
	if err != nil {
		return "", err
	}
	told := filepath.Join(folder, "nfpm.yaml")
	if err := writeWhole(told, text); err != nil {
		return "", err
	}
	out, err := filepath.Abs(o.out)
	if err != nil {
		return "", err
	}
	name := fmt.Sprintf("loadscribe_%s_%s.deb", config.Version, t.Debian)
	// Built for this computer, whatever it packs for; SOURCE_DATE_EPOCH is the time of its own entries.
	_, err = run(ctx, source.Root, []string{"GOFLAGS=", fmt.Sprintf("SOURCE_DATE_EPOCH=%d", source.Time.Unix())},
		"go", "run", o.nfpm, "package", "--config", told, "--packager", "deb", "--target", filepath.Join(out, name))
	return name, err
}

func writeWhole(file string, content []byte) error {
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		return err
	}
	return os.WriteFile(file, content, 0o644)
}

// debFiles are the files of an archive where Debian has them, with the service's own as
// service install would write them.
func debFiles(source *Source, t Target, files []File) (all []File) {
	for _, f := range files {
		switch f.Name {
		case t.program():
			f.Name = service.ForPackage().Program
		case "LICENSE": // which Debian has of its own: /usr/share/common-licenses
			continue
		default:
			f.Name, f.Run = path.Join(docFolder, f.Name), false
		}
		all = append(all, f)
	}
	put := func(name, text string) { all = append(all, File{Name: name, Content: []byte(text)}) }
	plan := service.ForPackage()
	put("/usr/lib/systemd/system/loadscribe.service", plan.Unit())
	put("/usr/lib/sysusers.d/loadscribe.conf", service.OfPackage(service.Sysusers))
	put("/usr/lib/tmpfiles.d/loadscribe.conf", service.Tmpfiles)
	put("/usr/share/polkit-1/rules.d/50-loadscribe.rules", service.OfPackage(service.PolkitRule))
	put(docFolder+"/copyright", debCopyright)
	put("/usr/share/lintian/overrides/loadscribe", debOverrides)
	return append(all, File{Name: docFolder + "/changelog.gz", Content: zippedText(debChangelog(source))})
}

// debCopyright is what Debian asks for (debian-policy 12.5), in the form of
// www.debian.org/doc/packaging-manuals/copyright-format/1.0.
const debCopyright = `Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/
Upstream-Name: loadscribe
Comment: The program is linked from parts of others under other licences. All
 of them, with their copyright lines and texts, are in ` + docFolder + `/` + thirdPartyName + `;
 for programs they are in ` + docFolder + `/` + billName + `.

Files: *
Copyright: 2026 the authors of loadscribe
License: Apache-2.0

License: Apache-2.0
 On Debian systems the whole text of the Apache License 2.0 is in
 /usr/share/common-licenses/Apache-2.0.
`

// debOverrides answer lintian, Debian's checker of packages.
const debOverrides = `# One program that needs nothing beside it, built by Go without C.
loadscribe: statically-linked-binary [usr/bin/loadscribe]
# Each command explains itself (--help), and the docs are installed.
loadscribe: no-manual-page [usr/bin/loadscribe]
# What is on the path may be another loadscribe.
loadscribe: command-with-path-in-maintainer-script /usr/bin/loadscribe (plain script) [prerm:*]
`

// debChangelog has the one entry that Debian asks for (deb-changelog(5)); what changed is in CHANGELOG.md.
func debChangelog(source *Source) string {
	return fmt.Sprintf("loadscribe (%s) unstable; urgency=medium\n\n  * Made from commit %.12s. What changed: CHANGELOG.md.\n\n -- %s  %s\n",
		source.debianVersion(), source.Commit, maintainer, source.Time.Format("Mon, 02 Jan 2006 15:04:05 -0700"))
}

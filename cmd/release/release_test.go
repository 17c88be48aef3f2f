package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/testdata/peers"
)

// treeFolder is the tree's root, from here.
const treeFolder = "../.."

// TestDebianVersions: versions of Debian rise as those of git do, by dpkg's own order where
// it is installed.
func TestDebianVersions(t *testing.T) {
	rising := []struct {
		git    string
		second int // of its time
		want   string
	}{
		{"0123abc", 9, "0.0.0+20260304050609.0123abc"},
		{"0a23abc", 10, "0.0.0+20260304050610.0a23abc"},
		{"0a23abc-dirty", 10, "0.0.0+20260304050610.0a23abc.dirty"},
		{"1.0.0-rc.1", 11, "1.0.0~rc.1"},
		{"1.0.0-rc.1-2-g0f23abc", 13, "1.0.0~rc.1+2.g0f23abc"},
		{"1.0.0-rc.2", 14, "1.0.0~rc.2"},
		{"1.0.0", 15, "1.0.0"},
		{"1.0.0-dirty", 15, "1.0.0+dirty"},
		{"1.0.1", 16, "1.0.1"},
		{"1.0.1-4-g0123abc", 20, "1.0.1+4.g0123abc"},
		{"1.10.0", 30, "1.10.0"},
	}
	dpkg, missing := exec.LookPath("dpkg")
	for i, r := range rising {
		source := &Source{Version: r.git, Time: time.Date(2026, 3, 4, 5, 6, r.second, 0, time.UTC)}
		if got := source.debianVersion(); got != r.want {
			t.Errorf("%s becomes %s, want %s", r.git, got, r.want)
		}
		if missing == nil && i > 0 {
			if err := exec.Command(dpkg, "--compare-versions", rising[i-1].want, "lt", r.want).Run(); err != nil {
				t.Errorf("dpkg: %s does not come before %s: %v", rising[i-1].want, r.want, err)
			}
		}
	}
	if missing != nil {
		peers.Missing(t, "dpkg is not installed: its order is not compared")
	}
}

// TestLicences: what is known is named; nothing, another text, or a licence that nobody
// allowed stops a release.
func TestLicences(t *testing.T) {
	own, err := os.ReadFile(filepath.Join(treeFolder, "LICENSE"))
	if err != nil {
		t.Fatal(err)
	}
	const isc = "Copyright (c) 2026 A. Writer\n\nPermission to use, copy, modify, and distribute this software for any\npurpose with or without fee is hereby granted, provided that the above\n" +
		"copyright notice and this permission notice appear in all copies.\n\nTHE SOFTWARE IS PROVIDED \"AS IS\" AND THE AUTHOR DISCLAIMS ALL WARRANTIES\nWITH REGARD TO THIS SOFTWARE INCLUDING ALL IMPLIED WARRANTIES OF\n" +
		"MERCHANTABILITY AND FITNESS. IN NO EVENT SHALL THE AUTHOR BE LIABLE FOR\nANY SPECIAL, DIRECT, INDIRECT, OR CONSEQUENTIAL DAMAGES OR ANY DAMAGES\nWHATSOEVER RESULTING FROM LOSS OF USE, DATA OR PROFITS, WHETHER IN AN\n" +
		"ACTION OF CONTRACT, NEGLIGENCE OR OTHER TORTIOUS ACTION, ARISING OUT OF\nOR IN CONNECTION WITH THE USE OR PERFORMANCE OF THIS SOFTWARE.\n"
	const gpl = "This program is free software: you can redistribute it and/or modify\nit under the terms of the GNU General Public License as published by\nthe Free Software Foundation, either version 3 of the License, or\n(at your option) any later version.\n"
	for _, c := range []struct {
		name    string
		notices []Notice
		want    string // the expression
		fails   string // in the error
	}{
		{"one", []Notice{{Name: "LICENSE", Text: isc}}, "ISC", ""},
		{"two", []Notice{{Name: "COPYING", Text: isc}, {Name: "sub/LICENSE.txt", Text: string(own)}, {Name: "NOTICE", Text: "made by somebody"}}, "Apache-2.0 AND ISC", ""},
		{"none", nil, "", "no licence text"},
		{"a notice alone", []Notice{{Name: "NOTICE", Text: isc}}, "", "no licence text"},
		{"another text", []Notice{{Name: "LICENSE", Text: "You may use this on Sundays."}}, "", "of a licence that is known"},
		{"half known", []Notice{{Name: "LICENSE", Text: isc + strings.Repeat("You may use this on Sundays. ", 30)}}, "", "of a licence that is known"},
		{"not allowed", []Notice{{Name: "LICENSE", Text: gpl}}, "", "a person must look"},
	} {
		t.Run(c.name, func(t *testing.T) {
			part := Component{Name: "example.org/part", Version: "v1.0.0", Notices: c.notices}
			err := judge(&part, &identified{})
			if c.fails == "" && (err != nil || part.expression() != c.want) {
				t.Errorf("%q, %v; want %q", part.expression(), err, c.want)
			}
			if c.fails != "" && (err == nil || !strings.Contains(err.Error(), c.fails)) {
				t.Errorf("error %v, want one with %q", err, c.fails)
			}
		})
	}
	if got := (&Component{Notices: []Notice{{Text: isc}, {Text: string(own)}}}).holders(); !slices.Equal(got, []string{"Copyright (c) 2026 A. Writer"}) {
		t.Errorf("holders %q", got)
	}
}

// TestPack: the order of the files and the zone of the time make no difference, and what is
// read again is what was given.
func TestPack(t *testing.T) {
	at := time.Date(2026, 3, 4, 5, 6, 8, 0, time.UTC)
	files := []File{{Name: "loadscribe", Content: []byte("program"), Run: true}, {Name: "docs/a.md", Content: []byte("text")}, {Name: "LICENSE", Content: nil}}
	turned := slices.Clone(files)
	slices.Reverse(turned)
	for _, name := range []string{"a.tar.gz", "a.zip"} {
		var made [2][]byte
		for i, order := range [][]File{files, turned} {
			file := filepath.Join(t.TempDir(), name)
			zone := time.FixedZone("elsewhere", 3600*i)
			if err := pack(file, "loadscribe-1", order, at.In(zone)); err != nil {
				t.Fatal(err)
			}
			content, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			made[i] = content
		}
		if !bytes.Equal(made[0], made[1]) {
			t.Errorf("%s: the order of the files shows", name)
		}
		want := "loadscribe-1/LICENSE 644 \nloadscribe-1/docs/a.md 644 text\nloadscribe-1/loadscribe 755 program\n"
		if got := unpacked(t, name, made[0], at); got != want {
			t.Errorf("%s holds\n%swant\n%s", name, got, want)
		}
	}
}

func unpacked(t *testing.T, name string, content []byte, at time.Time) string {
	t.Helper()
	var all strings.Builder
	one := func(name string, mode os.FileMode, time time.Time, r io.Reader) {
		text, err := io.ReadAll(r)
		if err != nil || !time.Equal(at) {
			t.Errorf("%s: time %v, want %v; %v", name, time, at, err)
		}
		all.WriteString(name + " " + strings.TrimLeft(strings.TrimPrefix(octal(mode), "0"), "0") + " " + string(text) + "\n")
	}
	if strings.HasSuffix(name, ".zip") {
		z, err := zip.NewReader(bytes.NewReader(content), int64(len(content)))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range z.File {
			r, err := f.Open()
			if err != nil {
				t.Fatal(err)
			}
			one(f.Name, f.Mode(), f.Modified, r)
		}
		return all.String()
	}
	zipped, err := gzip.NewReader(bytes.NewReader(content))
	if err != nil {
		t.Fatal(err)
	}
	r := tar.NewReader(zipped)
	for {
		head, err := r.Next()
		if err != nil {
			return all.String()
		}
		if head.Uname != "root" || head.Uid != 0 {
			t.Errorf("%s is %s's", head.Name, head.Uname)
		}
		one(head.Name, head.FileInfo().Mode(), head.ModTime, r)
	}
}

func octal(mode os.FileMode) string {
	return string([]byte{'0' + byte(mode>>6&7), '0' + byte(mode>>3&7), '0' + byte(mode&7)})
}

// TestLinksOfArchivesLead: what the texts of an archive and of a package point to is in it.
func TestLinksOfArchivesLead(t *testing.T) {
	if _, err := os.Stat(filepath.Join(treeFolder, ".git")); err != nil {
		t.Skip("not a clone: git cannot say what is in the tree")
	}
	source, err := openSource(t.Context(), treeFolder, "1.0.0")
	if err != nil {
		t.Fatal(err)
	}
	files, err := archiveFiles(source, targets[1], &Binary{}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	leads(t, "the archive", files)
	packed := []File{}
	for _, f := range debFiles(source, targets[1], files) {
		if name, ok := strings.CutPrefix(f.Name, docFolder+"/"); ok {
			packed = append(packed, File{Name: name, Content: f.Content})
		}
	}
	leads(t, "the package's folder of docs", packed)
}

func leads(t *testing.T, where string, files []File) {
	t.Helper()
	there := map[string]bool{}
	for _, f := range files {
		for name := f.Name; name != "."; name = path.Dir(name) {
			there[name] = true
		}
	}
	links := 0
	for _, f := range files {
		if !strings.HasSuffix(f.Name, ".md") || f.Name == "DEVELOPERS.md" { // which is for who has the tree
			continue
		}
		for _, m := range regexp.MustCompile(`\]\(([^)#\s]+)(#[^)]*)?\)`).FindAllSubmatch(f.Content, -1) {
			to := string(m[1])
			if strings.Contains(to, "://") {
				continue
			}
			links++
			if to = path.Join(path.Dir(f.Name), to); !there[to] {
				t.Errorf("%s points to %s, which is not in %s (is it known to git, and in told?)", f.Name, to, where)
			}
		}
	}
	if links < 100 {
		t.Errorf("%d links in %s, at least 100 are expected", links, where)
	}
}

// TestBill holds a list to what SPDX 2.3 asks of each part: its required fields, its words
// and the form of its identifiers (spdx.github.io/spdx-spec/v2.3: 6, 7, 11 and annex F).
func TestBill(t *testing.T) {
	source := &Source{Version: "1.0.0-rc.1+x", Commit: strings.Repeat("0", 40), Time: time.Unix(1_790_000_000, 0).UTC()}
	licence := []Notice{{Name: "LICENSE", Text: "Copyright 2026 A. Writer", IDs: []string{"MIT"}}}
	parts := []Component{
		{Kind: kindGo, Name: "stdlib", Version: "1.26.11", Notices: licence},
		{Kind: kindModule, Name: "example.org/a_b/v2", Version: "v2.0.0+incompatible", Sum: "h1:x", Notices: licence},
		{Kind: kindPage, Name: "@a/page", Version: "1.0.0", Sum: "sha512-AAEC", Part: "a line", Notices: licence},
	}
	text, err := billOf(source, targets[0], &Binary{Content: []byte("program")}, parts)
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		SPDXVersion, DataLicense, SPDXID, Name, DocumentNamespace string
		CreationInfo                                              struct {
			Created  time.Time
			Creators []string
		}
		Packages []struct {
			SPDXID, Name, DownloadLocation, LicenseDeclared, CopyrightText, PrimaryPackagePurpose string
			FilesAnalyzed                                                                         *bool
			ExternalRefs                                                                          []struct{ ReferenceCategory, ReferenceType, ReferenceLocator string }
		}
		Relationships []struct{ SpdxElementID, RelationshipType, RelatedSpdxElement string }
	}
	if err := json.Unmarshal(text, &d); err != nil {
		t.Fatal(err)
	}
	// Go's decoder takes a name in any case; others do not.
	for _, name := range strings.Fields("spdxVersion dataLicense SPDXID name documentNamespace creationInfo created creators packages versionInfo packageFileName supplier " +
		"downloadLocation filesAnalyzed checksums algorithm checksumValue sourceInfo licenseConcluded licenseDeclared copyrightText comment externalRefs " +
		"referenceCategory referenceType referenceLocator primaryPackagePurpose relationships spdxElementId relationshipType relatedSpdxElement") {
		if !bytes.Contains(text, []byte(`"`+name+`": `)) {
			t.Errorf("the list has no %q", name)
		}
	}
	if d.SPDXVersion != "SPDX-2.3" || d.DataLicense != "CC0-1.0" || d.SPDXID != "SPDXRef-DOCUMENT" || !d.CreationInfo.Created.Equal(source.Time) ||
		!strings.HasPrefix(d.CreationInfo.Creators[0], "Tool: ") || !regexp.MustCompile(`^https://[^#\s]+$`).MatchString(d.DocumentNamespace) {
		t.Errorf("document %+v", d)
	}
	seen, linked := map[string]bool{d.SPDXID: true}, map[string]bool{}
	var locators []string
	for _, p := range d.Packages {
		if seen[p.SPDXID] || !regexp.MustCompile(`^SPDXRef-[A-Za-z0-9.-]+$`).MatchString(p.SPDXID) {
			t.Errorf("identifier %q", p.SPDXID)
		}
		seen[p.SPDXID] = true
		if p.Name == "" || p.DownloadLocation != "NOASSERTION" || p.FilesAnalyzed == nil || *p.FilesAnalyzed || p.CopyrightText == "" ||
			!slices.Contains([]string{"APPLICATION", "LIBRARY"}, p.PrimaryPackagePurpose) {
			t.Errorf("package %+v", p)
		}
		for _, r := range p.ExternalRefs {
			if r.ReferenceCategory != "PACKAGE-MANAGER" || r.ReferenceType != "purl" {
				t.Errorf("reference %+v", r)
			}
			locators = append(locators, r.ReferenceLocator)
		}
	}
	for _, r := range d.Relationships {
		if !seen[r.SpdxElementID] || !seen[r.RelatedSpdxElement] || !slices.Contains([]string{"DESCRIBES", "STATIC_LINK", "CONTAINS"}, r.RelationshipType) {
			t.Errorf("relationship %+v", r)
		}
		linked[r.RelatedSpdxElement] = true
	}
	if len(linked) != len(parts)+1 {
		t.Errorf("%d packages have a relationship, of %d", len(linked), len(parts)+1)
	}
	// The forms of github.com/package-url/purl-spec: an @ in a name and a + are encoded.
	want := []string{"pkg:generic/loadscribe@1.0.0-rc.1%2Bx", "pkg:golang/stdlib@1.26.11", "pkg:golang/example.org/a_b/v2@v2.0.0%2Bincompatible", "pkg:npm/%40a/page@1.0.0"}
	if !slices.Equal(locators, want) {
		t.Errorf("locators %q, want %q", locators, want)
	}
}

// TestReleaseFolder: only what a release made is emptied out.
func TestReleaseFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "release")
	if err := emptyFolder(dir); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"loadscribe-1.0.0-linux-amd64.tar.gz", sumsName} {
		if err := os.WriteFile(filepath.Join(dir, name), nil, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := emptyFolder(dir); err != nil {
		t.Fatal(err)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("left %v, %v", left, err)
	}
	if err := os.WriteFile(filepath.Join(dir, "letters.txt"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := emptyFolder(dir); err == nil {
		t.Error("a folder with other things is emptied")
	}
}

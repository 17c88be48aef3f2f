package main

import (
	"bytes"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/url"
	"regexp"
	"strings"
)

// The parts of SPDX 2.3 that are used, by the names of its JSON (spdx.github.io/spdx-spec/v2.3).
type (
	spdxDocument struct {
		Version       string             `json:"spdxVersion"`
		DataLicence   string             `json:"dataLicense"`
		ID            string             `json:"SPDXID"`
		Name          string             `json:"name"`
		Namespace     string             `json:"documentNamespace"`
		Creation      spdxCreation       `json:"creationInfo"`
		Packages      []spdxPackage      `json:"packages"`
		Relationships []spdxRelationship `json:"relationships"`
	}
	spdxCreation struct {
		Created  string   `json:"created"`
		Creators []string `json:"creators"`
	}
	spdxPackage struct {
		ID            string         `json:"SPDXID"`
		Name          string         `json:"name"`
		Version       string         `json:"versionInfo"`
		FileName      string         `json:"packageFileName,omitempty"`
		Supplier      string         `json:"supplier"`
		Download      string         `json:"downloadLocation"`
		FilesAnalysed bool           `json:"filesAnalyzed"`
		Checksums     []spdxChecksum `json:"checksums,omitempty"`
		SourceInfo    string         `json:"sourceInfo,omitempty"`
		Concluded     string         `json:"licenseConcluded"`
		Declared      string         `json:"licenseDeclared"`
		Copyright     string         `json:"copyrightText"`
		Comment       string         `json:"comment,omitempty"`
		References    []spdxRef      `json:"externalRefs,omitempty"`
		Purpose       string         `json:"primaryPackagePurpose"`
	}
	spdxChecksum struct {
		Algorithm string `json:"algorithm"`
		Value     string `json:"checksumValue"`
	}
	spdxRef struct {
		Category string `json:"referenceCategory"`
		Type     string `json:"referenceType"`
		Locator  string `json:"referenceLocator"`
	}
	spdxRelationship struct {
		From string `json:"spdxElementId"`
		Type string `json:"relationshipType"`
		To   string `json:"relatedSpdxElement"`
	}
)

const (
	noAssertion = "NOASSERTION"
	documentID  = "SPDXRef-DOCUMENT"
	programID   = "SPDXRef-loadscribe"
)

// billOf lists what is in a binary. Licences are those that the components declare; nobody
// concluded anything from their code.
func billOf(source *Source, t Target, binary *Binary, parts []Component) ([]byte, error) {
	base := source.baseName(t)
	sum := sha256Of(binary.Content)
	d := spdxDocument{Version: "SPDX-2.3", DataLicence: "CC0-1.0", ID: documentID, Name: base,
		Namespace: "https://loadscribe.invalid/spdx/" + base + "-" + sum,
		Creation:  spdxCreation{Created: source.Time.Format("2006-01-02T15:04:05Z"), Creators: []string{"Tool: loadscribe-release"}}}
	d.Packages = append(d.Packages, spdxPackage{ID: programID, Name: "loadscribe", Version: source.Version, FileName: t.program(), Supplier: noAssertion,
		Download: noAssertion, Checksums: []spdxChecksum{{"SHA256", sum}}, SourceInfo: "git commit " + source.Commit, Concluded: noAssertion,
		Declared: "Apache-2.0", Copyright: noAssertion, Purpose: "APPLICATION",
		References: []spdxRef{{"PACKAGE-MANAGER", "purl", "pkg:generic/loadscribe@" + purlText(source.Version)}}})
	d.Relationships = append(d.Relationships, spdxRelationship{documentID, "DESCRIBES", programID})
	for i := range parts {
		p, err := packageOf(&parts[i])
		if err != nil {
			return nil, err
		}
		d.Packages = append(d.Packages, p)
		how := "STATIC_LINK"
		if parts[i].Kind == kindPage {
			how = "CONTAINS"
		}
		d.Relationships = append(d.Relationships, spdxRelationship{programID, how, p.ID})
	}
	var text bytes.Buffer
	e := json.NewEncoder(&text)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	err := e.Encode(d)
	return text.Bytes(), err
}

func packageOf(c *Component) (spdxPackage, error) {
	p := spdxPackage{Name: c.Name, Version: c.Version, Supplier: noAssertion, Download: noAssertion, Concluded: noAssertion, Declared: c.expression(),
		Copyright: strings.Join(c.holders(), "\n"), Purpose: "LIBRARY", Comment: c.Part}
	if p.Copyright == "" {
		p.Copyright = noAssertion
	}
	var locator string
	switch c.Kind {
	case kindGo, kindModule:
		locator = "pkg:golang/" + purlPath(c.Name) + "@" + purlText(c.Version)
		if c.Sum != "" {
			p.SourceInfo = "go.sum " + c.Sum
		}
	case kindPage:
		locator = "pkg:npm/" + purlPath(c.Name) + "@" + purlText(c.Version)
		algorithm, value, _ := strings.Cut(c.Sum, "-") // Subresource Integrity: sha512-base64
		raw, err := base64.StdEncoding.DecodeString(value)
		if err != nil || algorithm != "sha512" {
			return p, fmt.Errorf("%s: package-lock.json has the checksum %q, not one of sha512 (%w)", c, c.Sum, err)
		}
		p.Checksums = []spdxChecksum{{"SHA512", hex.EncodeToString(raw)}}
	}
	p.ID = "SPDXRef-" + notInID.ReplaceAllString(c.Kind+"-"+c.Name+"-"+c.Version, "-")
	p.References = []spdxRef{{"PACKAGE-MANAGER", "purl", locator}}
	return p, nil
}

// notInID is what an identifier may not hold (SPDX 2.3, 7.2).
var notInID = regexp.MustCompile(`[^A-Za-z0-9.-]+`)

// purlPath and purlText encode for a package URL (github.com/package-url/purl-spec).
func purlPath(name string) string {
	parts := strings.Split(name, "/")
	for i := range parts {
		parts[i] = purlText(parts[i])
	}
	return strings.Join(parts, "/")
}

func purlText(text string) string {
	return strings.NewReplacer("@", "%40", "+", "%2B").Replace(url.PathEscape(text))
}

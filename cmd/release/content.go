package main

import (
	"path"
	"strings"
)

// told are what goes with a program besides its own texts: files and folders of the tree.
// DEVELOPERS.md and FORMAT.md are there because the others point to them.
var told = []string{"README.md", "LICENSE", "CHANGELOG.md", "DEVELOPERS.md", "agent/store/FORMAT.md", "docs", "configs"}

const (
	thirdPartyName = "THIRD-PARTY.txt"
	billName       = "sbom.spdx.json"
)

// archiveFiles are the files of a target's archive.
func archiveFiles(source *Source, t Target, binary *Binary, parts []Component, bill []byte) ([]File, error) {
	files := []File{
		{Name: t.program(), Content: binary.Content, Run: true},
		{Name: thirdPartyName, Content: []byte(thirdParties(source, t, parts))},
		{Name: billName, Content: bill},
	}
	for _, where := range told {
		for _, name := range source.below(where) {
			if strings.HasSuffix(name, ".go") {
				continue
			}
			content, err := source.read(name)
			if err != nil {
				return nil, err
			}
			files = append(files, File{Name: path.Clean(name), Content: content, Run: strings.HasSuffix(name, ".py")})
		}
	}
	return files, nil
}

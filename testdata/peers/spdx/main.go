// Command spdx reads lists of what is in a binary with the SPDX project's own Go library,
// which shares no code with cmd/release, and prints the packages of each, a line a package:
// name, version, declared licence. It is a module of its own, so that nothing of it is a
// dependency of loadscribe.
package main

import (
	"fmt"
	"os"

	"github.com/spdx/tools-golang/json"
	"github.com/spdx/tools-golang/spdx"
	"github.com/spdx/tools-golang/spdx/v2/v2_3"
	"github.com/spdx/tools-golang/spdxlib"
)

func main() {
	for _, name := range os.Args[1:] {
		if err := show(name); err != nil {
			fmt.Fprintf(os.Stderr, "%s: %v\n", name, err)
			os.Exit(1)
		}
	}
}

func show(name string) error {
	file, err := os.Open(name)
	if err != nil {
		return err
	}
	defer file.Close()
	document, err := json.Read(file)
	if err != nil {
		return err
	}
	if document.SPDXVersion != v2_3.Version || document.DataLicense != v2_3.DataLicense {
		return fmt.Errorf("it is %s under %s", document.SPDXVersion, document.DataLicense)
	}
	if err := spdxlib.ValidateDocument(document); err != nil {
		return err
	}
	described, err := spdxlib.GetDescribedPackageIDs(document)
	if err != nil {
		return err
	}
	if len(described) != 1 {
		return fmt.Errorf("it describes %d packages", len(described))
	}
	related := map[spdx.ElementID]bool{described[0]: true}
	for _, r := range document.Relationships {
		related[r.RefB.ElementRefID] = true
	}
	for _, p := range document.Packages {
		if !related[p.PackageSPDXIdentifier] {
			return fmt.Errorf("%s stands beside the program, not in it", p.PackageName)
		}
		fmt.Printf("%s %s %s\n", p.PackageName, p.PackageVersion, p.PackageLicenseDeclared)
	}
	return nil
}

package analysis

import (
	"os/exec"
	"regexp"
	"strings"
	"testing"
)

// TestNoFusedArithmetic compiles the package for arm64, whose compiler joins
// x·y + z into one rounding wherever the source lets it, and finds no such
// instruction. With that, figures are the same to the last bit on both.
func TestNoFusedArithmetic(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles for another processor")
	}
	goTool, err := exec.LookPath("go")
	if err != nil {
		t.Fatal("no go command to compile with: put it on PATH")
	}
	cmd := exec.Command(goTool, "build", "-gcflags=-S", ".")
	cmd.Env = append(cmd.Environ(), "GOOS=linux", "GOARCH=arm64", "CGO_ENABLED=0")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("go build for arm64: %v\n%.2000s", err, out)
	}
	if !strings.Contains(string(out), "FMULD") {
		t.Fatal("the listing shows no arithmetic at all: nothing was checked")
	}
	fused := regexp.MustCompile(`(?m)^.*\bFN?M(ADD|SUB)[DS]\b.*$`)
	for _, line := range fused.FindAllString(string(out), -1) {
		t.Errorf("fused: %s", strings.Join(strings.Fields(line), " "))
	}
}

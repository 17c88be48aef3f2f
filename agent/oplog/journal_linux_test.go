package oplog

import (
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

func TestToJournal(t *testing.T) {
	file, err := os.Create(filepath.Join(t.TempDir(), "stream"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	var stat syscall.Stat_t
	if err := syscall.Fstat(int(file.Fd()), &stat); err != nil {
		t.Fatal(err)
	}
	if !ToJournal(file, fmt.Sprintf("%d:%d", stat.Dev, stat.Ino)) { // decimal: systemd.exec(5)
		t.Error("the journal's stream is not known")
	}
	if ToJournal(file, "") || ToJournal(file, fmt.Sprintf("%d:%d", stat.Dev, stat.Ino+1)) {
		t.Error("another stream is taken for the journal's")
	}
}

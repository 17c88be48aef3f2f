package service

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// mostAside bounds the programs of earlier updates that may still run.
const mostAside = 9

// freeName is a name beside path for what is put aside there. Those that can be deleted
// are: what a program that runs is in cannot, on Windows.
func freeName(path string) (string, error) {
	free := ""
	for n := mostAside; n > 0; n-- {
		name := fmt.Sprintf("%s.old%d", path, n)
		if err := os.Remove(name); err == nil || errors.Is(err, fs.ErrNotExist) {
			free = name
		}
	}
	if free == "" {
		return "", Problem{path + " has been put aside too often by programs that still run", "restart the services that run it"}
	}
	return free, nil
}

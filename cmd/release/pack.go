package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"cmp"
	"compress/gzip"
	"errors"
	"io"
	"os"
	"path"
	"slices"
	"strings"
	"time"
)

// File is one file of an archive.
type File struct {
	Name    string // with slashes, below the archive's folder
	Content []byte
	Run     bool // it is a program
}

func (f File) mode() int64 {
	if f.Run {
		return 0o755
	}
	return 0o644
}

// pack writes an archive whose files lie in one folder. The kind follows from the name.
func pack(file, folder string, files []File, at time.Time) error {
	files = slices.SortedFunc(slices.Values(files), func(a, b File) int { return cmp.Compare(a.Name, b.Name) })
	at = at.UTC()
	var out bytes.Buffer
	write := packTar
	if strings.HasSuffix(file, ".zip") {
		write = packZip
	}
	if err := write(&out, folder, files, at); err != nil {
		return err
	}
	return os.WriteFile(file, out.Bytes(), 0o644)
}

// packTar writes tar.gz as gzip -n would: no name, no time of its own.
func packTar(w io.Writer, folder string, files []File, at time.Time) error {
	zipped, err := gzip.NewWriterLevel(w, gzip.BestCompression)
	if err != nil {
		return err
	}
	t := tar.NewWriter(zipped)
	var errs []error
	for _, f := range files {
		errs = append(errs, t.WriteHeader(&tar.Header{Typeflag: tar.TypeReg, Name: path.Join(folder, f.Name), Size: int64(len(f.Content)),
			Mode: f.mode(), ModTime: at, Uname: "root", Gname: "root", Format: tar.FormatPAX}))
		_, err := t.Write(f.Content)
		errs = append(errs, err)
	}
	return errors.Join(append(errs, t.Close(), zipped.Close())...)
}

// packZip writes a zip. Its oldest kind of time has even seconds and no zone; it is UTC here.
func packZip(w io.Writer, folder string, files []File, at time.Time) error {
	z := zip.NewWriter(w)
	var errs []error
	for _, f := range files {
		head := &zip.FileHeader{Name: path.Join(folder, f.Name), Method: zip.Deflate, Modified: at}
		head.SetMode(os.FileMode(f.mode()))
		to, err := z.CreateHeader(head)
		if err == nil {
			_, err = to.Write(f.Content)
		}
		errs = append(errs, err)
	}
	return errors.Join(append(errs, z.Close())...)
}

// zippedText is a text in gzip as gzip -9n makes it.
func zippedText(text string) []byte {
	var out bytes.Buffer
	z, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if err == nil {
		_, err = z.Write([]byte(text))
	}
	if err = errors.Join(err, z.Close()); err != nil {
		panic(err) // memory takes everything
	}
	return out.Bytes()
}

package export

import (
	"bufio"
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"sync"

	"cannulary/internal/fault"
)

// Writer takes the resources of one job.
type Writer struct {
	ctx   context.Context
	dir   string
	room  func() error // nil does not ask
	files []*typeFile
	// asked is how many bytes may still be written before room is asked again.
	asked int

	mu    sync.Mutex // of what is read from outside
	typ   string
	count int
}

// typeFile is an open file.
type typeFile struct {
	File
	f *os.File
	w *bufio.Writer
	// named are those whose key is in Patients.
	named map[string]bool
}

const (
	writeBuffer = 64 << 10
	askEvery    = 8 << 20
)

// Put adds a resource to the file of its type. patients are the keys of those of whom it tells something.
func (w *Writer) Put(typ string, body []byte, patients ...string) error {
	if err := w.ctx.Err(); err != nil {
		return err
	}
	if bytes.ContainsAny(body, "\r\n") {
		// Between the tokens of JSON only; a line must hold the whole resource.
		var b bytes.Buffer
		if err := json.Compact(&b, body); err != nil {
			return err
		}
		body = b.Bytes()
	}
	if w.asked -= len(body); w.asked <= 0 && w.room != nil {
		if err := w.room(); err != nil {
			return err
		}
		w.asked = askEvery
	}
	f, err := w.file(typ)
	if err == nil {
		_, err = f.w.Write(body)
	}
	if err == nil {
		err = f.w.WriteByte('\n')
	}
	if err != nil {
		return notWritten(err)
	}
	f.Count++
	f.name(patients)
	w.mu.Lock()
	w.typ, w.count = typ, w.count+1
	w.mu.Unlock()
	return nil
}

// name notes patients. What is no key is left out.
func (f *typeFile) name(patients []string) {
	for _, key := range patients {
		if f.named[key] {
			continue
		}
		f.named[key] = true
		if raw, err := hex.DecodeString(key); err == nil && len(raw) == keySize {
			f.Patients = append(f.Patients, raw...)
		}
	}
}

func notWritten(err error) error {
	return fault.Wrap(fault.Unavailable, err, "the files of the export could not be written",
		"tell the operator that the export folder has no room or cannot be written, then begin again with a new $export")
}

// file finds the file of a type, or makes it with its first resource.
func (w *Writer) file(typ string) (*typeFile, error) {
	if n := len(w.files); n > 0 && w.files[n-1].Type == typ {
		return w.files[n-1], nil
	}
	for _, f := range w.files {
		if f.Type == typ {
			return f, nil
		}
	}
	f, err := os.OpenFile(filepath.Join(w.dir, fileName(typ)), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	t := &typeFile{File{Type: typ}, f, bufio.NewWriterSize(f, writeBuffer), map[string]bool{}}
	w.files = append(w.files, t)
	return t, nil
}

func (w *Writer) progress() (typ string, count int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.typ, w.count
}

// close makes the files durable and lists them.
func (w *Writer) close() ([]File, error) {
	var errs []error
	var out []File
	for _, f := range w.files {
		errs = append(errs, f.w.Flush(), f.f.Sync(), f.f.Close())
		out = append(out, f.File)
	}
	w.files = nil
	if err := errors.Join(errs...); err != nil {
		return nil, notWritten(err)
	}
	return out, nil
}

// abandon closes the files, whatever is in them.
func (w *Writer) abandon() {
	for _, f := range w.files {
		_ = f.f.Close()
	}
	w.files = nil
}

package export

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"sort"
	"time"

	"cannulary/internal/durable"
)

const (
	requestFile = "request.json"
	resultFile  = "result.json"
)

// written is the content of a job's request file.
type written struct {
	Begun   time.Time `json:"begun"`
	Request *Request  `json:"request"`
}

func fileName(typ string) string { return typ + ".ndjson" }

// writeDown makes a job's folder and its request durable.
func (e *Engine) writeDown(j *job) error {
	if err := os.Mkdir(j.dir, 0o700); err != nil {
		return err
	}
	if err := writeJSON(j.dir, requestFile, written{j.begun, j.request}); err != nil {
		return err
	}
	return durable.Sync(e.cfg.Dir)
}

// writeJSON puts a file into a folder: after a crash it is there whole or not at all.
func writeJSON(dir, name string, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	temp := filepath.Join(dir, name+".tmp")
	f, err := os.OpenFile(temp, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(temp, filepath.Join(dir, name)); err != nil {
		return err
	}
	return durable.Sync(dir)
}

// forget takes a job's request away; it may be away already.
func forget(dir string) error {
	if err := os.Remove(filepath.Join(dir, requestFile)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := durable.Sync(dir); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

var jobName = regexp.MustCompile(`^[0-9a-f]{32}$`)

// load reads the jobs of an earlier process.
func (e *Engine) load() error {
	if err := os.MkdirAll(e.cfg.Dir, 0o700); err != nil {
		return err
	}
	entries, err := os.ReadDir(e.cfg.Dir)
	if err != nil {
		return err
	}
	for _, x := range entries {
		if !x.IsDir() || !jobName.MatchString(x.Name()) {
			continue // not ours
		}
		j := &job{id: x.Name(), dir: filepath.Join(e.cfg.Dir, x.Name())}
		var w written
		err := readJSON(j.dir, requestFile, &w)
		if err == nil && w.Request == nil {
			err = fmt.Errorf("%s is empty", requestFile)
		}
		if err != nil {
			if !errors.Is(err, fs.ErrNotExist) {
				e.cfg.Slog.Error("an export cannot be read and is removed; its client has to begin again", "folder", j.dir, "err", err)
			}
			if err := os.RemoveAll(j.dir); err != nil {
				return err
			}
			continue
		}
		j.begun, j.request = w.Begun, w.Request
		var r Result
		switch err := readJSON(j.dir, resultFile, &r); {
		case err == nil:
			j.result = &r
		case !errors.Is(err, fs.ErrNotExist):
			e.cfg.Slog.Error("the result of an export cannot be read; it begins anew", "folder", j.dir, "err", err)
		}
		e.jobs = append(e.jobs, j)
	}
	sort.Slice(e.jobs, func(a, b int) bool {
		x, y := e.jobs[a], e.jobs[b]
		if !x.begun.Equal(y.begun) {
			return x.begun.Before(y.begun)
		}
		return x.id < y.id
	})
	return nil
}

func readJSON(dir, name string, v any) error {
	b, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return err
	}
	return json.Unmarshal(b, v)
}

// empty removes everything from a job's folder but its request.
func empty(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, x := range entries {
		if x.Name() != requestFile {
			if err := os.RemoveAll(filepath.Join(dir, x.Name())); err != nil {
				return err
			}
		}
	}
	return nil
}

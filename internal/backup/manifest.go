package backup

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"cannulary/internal/durable"
	"cannulary/internal/salvage"
)

// manifestName is the file that is written last: a folder without it is no backup.
const manifestName = "backup.json"

// Part is what a folder of a backup says of itself.
type Part struct {
	Part    string    `json:"part"` // LogPart or KeysPart
	Made    time.Time `json:"made"`
	Version string    `json:"version"` // of the program
	Shard   string    `json:"shard,omitempty"`
	LogID   string    `json:"logId,omitempty"`
	// Last is the last entry, LastTaken when the log took it.
	Last      uint64    `json:"last,omitempty"`
	LastTaken time.Time `json:"lastTaken,omitzero"`
	// TrailDamages are what is wrong with the audit trail in it.
	TrailDamages []string `json:"trailDamages,omitempty"`
	Encrypted    bool     `json:"encrypted,omitempty"`
	Secrets      int      `json:"secrets,omitempty"`
	// Damaged are secrets that are damaged in both files of the key store, and are not in the backup.
	Damaged []string `json:"damaged,omitempty"`
	Files   []File   `json:"files,omitempty"`
}

// The parts of a backup.
const (
	LogPart  = "log"
	KeysPart = "keys"
)

// File is a file of a part, by its path below the folder.
type File struct {
	Name   string `json:"name"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// part is a folder that is being filled.
type part struct {
	dir  string
	said Part
}

// newPart makes the folder of a part. It takes an empty one, or one that is not there.
func newPart(dir string, said Part) (*part, error) {
	if err := EmptyFolder(dir); err != nil {
		return nil, err
	}
	return &part{dir, said}, nil
}

// EmptyFolder makes a folder, or refuses one that holds anything.
func EmptyFolder(dir string) error {
	if err := salvage.CheckFinished(dir); err != nil {
		return err
	}
	list, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w; name a folder that is empty or not there yet", err)
	}
	list = slices.DeleteFunc(list, func(e fs.DirEntry) bool { return e.Name() == "lost+found" })
	if len(list) > 0 {
		return fmt.Errorf("%s is not empty (it holds %s); nothing in it was changed; name a folder that is empty or not there yet", dir,
			list[0].Name())
	}
	return os.MkdirAll(dir, 0o700)
}

// add writes a file and notes what it is.
func (p *part) add(name string, write func(io.Writer) error) error {
	path := filepath.Join(p.dir, filepath.FromSlash(name))
	sum, n, err := writeFile(path, write)
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	p.said.Files = append(p.said.Files, File{name, n, sum})
	return nil
}

// writeFile writes a new file and returns once it is on the disk.
func writeFile(path string, write func(io.Writer) error) (sum string, n int64, err error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return "", 0, err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return "", 0, err
	}
	h := sha256.New()
	err = write(io.MultiWriter(f, h))
	if err == nil {
		n, err = f.Seek(0, io.SeekCurrent)
	}
	return hex.EncodeToString(h.Sum(nil)), n, errors.Join(err, f.Sync(), f.Close())
}

// end writes the manifest.
func (p *part) end() error {
	_, _, err := writeFile(filepath.Join(p.dir, manifestName), func(w io.Writer) error {
		e := json.NewEncoder(w)
		e.SetIndent("", " ")
		return e.Encode(p.said)
	})
	if err != nil {
		return fmt.Errorf("write the backup's own description: %w", err)
	}
	return durable.Sync(p.dir)
}

// remove removes what a backup that failed left.
func (p *part) remove() error {
	err := os.Remove(filepath.Join(p.dir, manifestName))
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	for _, f := range p.said.Files {
		err = errors.Join(err, os.Remove(filepath.Join(p.dir, filepath.FromSlash(f.Name))))
	}
	return errors.Join(err, os.RemoveAll(filepath.Join(p.dir, salvage.LogFolder)), os.RemoveAll(filepath.Join(p.dir, salvage.TrailFolder)))
}

// readPart reads what a folder says of itself.
func readPart(dir, want string) (*Part, error) {
	b, err := os.ReadFile(filepath.Join(dir, manifestName))
	if err != nil {
		return nil, fmt.Errorf("%s is not a finished backup: %w", dir, err)
	}
	p := &Part{}
	if err := json.Unmarshal(b, p); err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", filepath.Join(dir, manifestName), err)
	}
	if p.Part != want {
		return nil, fmt.Errorf("%s holds the part %q of a backup, not %q; give --from the log's part and --keys-from the keys' part", dir,
			p.Part, want)
	}
	return p, nil
}

// each reads every file of a part that is as it was written.
func (p *Part) each(dir string, read func(f File, r io.Reader) error) error {
	for _, f := range p.Files {
		if !filepath.IsLocal(filepath.FromSlash(f.Name)) {
			return fmt.Errorf("%s names the file %q, which is not below it", filepath.Join(dir, manifestName), f.Name)
		}
		path := filepath.Join(dir, filepath.FromSlash(f.Name))
		in, err := os.Open(path)
		if err != nil {
			return fmt.Errorf("the backup is not whole: %w; take another one", err)
		}
		h := sha256.New()
		err = read(f, io.TeeReader(in, h))
		if err == nil {
			_, err = io.Copy(h, in) // what read left
		}
		if err = errors.Join(err, in.Close()); err != nil {
			return err
		}
		if hex.EncodeToString(h.Sum(nil)) != f.SHA256 {
			return fmt.Errorf("%s is not as it was written: the backup is damaged; take another one", path)
		}
	}
	return nil
}

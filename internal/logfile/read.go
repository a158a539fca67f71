package logfile

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/minio/highwayhash"
)

// ErrCannot says that the files are of a kind that this package does not know.
var ErrCannot = errors.New("the log's files cannot be checked")

// ErrNone says that there is no log in the folder.
var ErrNone = errors.New("there is no log in the folder")

// Damage is a stretch of a file that holds no whole record, or a file that is not as it was written.
type Damage struct {
	File  string
	At    int64  // the byte at which it begins
	Bytes int64  // 0 where nothing but a detail is wrong
	After uint64 // the last whole entry before it; 0 for none
	What  string
	// Read tells that the entry is there all the same: only a detail beside it is damaged.
	Read bool
}

// String says where the damage is.
func (d Damage) String() string {
	return fmt.Sprintf("%s, byte %d, after entry %d: %s", filepath.Base(d.File), d.At, d.After, d.What)
}

// Range is a range of entries, both ends included.
type Range struct{ First, Last uint64 }

// String says which entries.
func (r Range) String() string {
	if r.First == r.Last {
		return fmt.Sprint(r.First)
	}
	return fmt.Sprintf("%d to %d", r.First, r.Last)
}

// Result is what the files hold.
type Result struct {
	Files   int
	Bytes   int64
	Entries uint64 // whole ones
	Last    uint64 // the last whole one
	// Missing are the numbers up to Last that no whole record holds.
	Missing []Range
	// Damages are in the order of the files. Tail is what stands after the last whole record, with
	// nothing whole behind it: a write that was interrupted, or damage. It is not among Damages.
	Damages []Damage
	Tail    *Damage
}

// Whole tells that nothing is damaged and nothing missing. It says nothing of an end that is gone.
func (res *Result) Whole() bool { return len(res.Missing) == 0 && len(res.Damages) == 0 }

// Folder returns where the server keeps a stream below its own folder.
func Folder(dir, stream string) string {
	return filepath.Join(dir, "jetstream", "$G", "streams", stream)
}

// Read reads all files of a stream of the server in dir, and calls each with every whole record, in
// the order of the files. The record's bytes are good until each returns. An error of each ends it.
// Other errors are ErrNone, ErrCannot, and those of the file system.
func Read(dir, stream string, each func(Record) error) (Result, error) {
	var res Result
	folder := Folder(dir, stream)
	blocks, err := blockFiles(folder)
	if err != nil {
		return res, err
	}
	if err := checkMeta(folder, stream, &res); err != nil {
		return res, err
	}
	for i, b := range blocks {
		buf, err := os.ReadFile(b.path)
		if err != nil {
			return res, fmt.Errorf("read the log: %w", err)
		}
		if len(buf) >= 4 && string(buf[:3]) == "cmp" && buf[3] == compressedS2 {
			return res, fmt.Errorf("%w: %s is compressed, which this program never does", ErrCannot, b.path)
		}
		res.Files++
		res.Bytes += int64(len(buf))
		if err := readBlock(buf, b.path, keyOf(stream, b.index), i == len(blocks)-1, &res, each); err != nil {
			return res, err
		}
	}
	return res, nil
}

// Files lists the files of a stream that make the log: its description and its blocks, oldest first. What else
// the server keeps beside them it makes again. Errors are as of Read.
func Files(dir, stream string) ([]string, error) {
	folder := Folder(dir, stream)
	blocks, err := blockFiles(folder)
	if err != nil {
		return nil, err
	}
	out := []string{filepath.Join(folder, "meta.inf"), filepath.Join(folder, "meta.sum")}
	for _, b := range blocks {
		out = append(out, b.path)
	}
	return out, nil
}

// compressedS2 is the byte after "cmp" at the beginning of a compressed block.
const compressedS2 = 1

type block struct {
	path  string
	index uint64
}

// blockFiles lists the blocks of a stream, oldest first.
func blockFiles(folder string) ([]block, error) {
	dir := filepath.Join(folder, "msgs")
	list, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		if _, err := os.Stat(folder); errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%w: %s", ErrNone, folder)
		}
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the log: %w", err)
	}
	var out []block
	for _, e := range list {
		name, ok := strings.CutSuffix(e.Name(), ".blk")
		if strings.HasSuffix(e.Name(), ".key") {
			return nil, fmt.Errorf("%w: %s is encrypted, which this program never does", ErrCannot, dir)
		}
		n, err := strconv.ParseUint(name, 10, 32)
		if ok && err == nil {
			out = append(out, block{filepath.Join(dir, e.Name()), n})
		}
	}
	slices.SortFunc(out, func(a, b block) int { return cmp.Compare(a.index, b.index) })
	return out, nil
}

// checkMeta holds the stream's description against its checksum. A server that cannot read it takes
// the stream for none.
func checkMeta(folder, stream string, res *Result) error {
	path := filepath.Join(folder, "meta.inf")
	note := func(what string) {
		res.Damages = append(res.Damages, Damage{File: path, What: what, Read: true})
	}
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		note("the description of the stream is gone")
		return nil
	}
	sum, sumErr := os.ReadFile(filepath.Join(folder, "meta.sum"))
	if err != nil || sumErr != nil && !errors.Is(sumErr, fs.ErrNotExist) {
		return fmt.Errorf("read the log: %w", errors.Join(err, sumErr))
	}
	key := sha256.Sum256([]byte(stream))
	h, err := highwayhash.New64(key[:])
	if err != nil {
		return fmt.Errorf("read the log: %w", err)
	}
	_, _ = h.Write(b)
	var meta struct{ Name, Storage, Compression string }
	switch {
	case hex.EncodeToString(h.Sum(nil)) != string(sum):
		note("the description of the stream does not agree with its checksum")
	case json.Unmarshal(b, &meta) != nil || meta.Name != stream || meta.Storage != "file" || meta.Compression != "none":
		return fmt.Errorf("%w: %s does not describe the stream that this program makes", ErrCannot, path)
	}
	return nil
}

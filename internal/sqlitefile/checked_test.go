package sqlitefile_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"

	"cannulary/internal/sqlitefile"
)

const page = 4096

// checked opens a file with checksums whose log of writes is taken over only when it is asked for.
func checked(tb testing.TB, path string, noticed *atomic.Int64) *sql.DB {
	tb.Helper()
	if err := sqlitefile.Create(path, page); err != nil {
		tb.Fatal(err)
	}
	db, err := sqlitefile.OpenChecked(path, "_pragma=busy_timeout(10000)", `PRAGMA wal_autocheckpoint = 0; PRAGMA cache_size = 10`, func(error) { noticed.Add(1) })
	if err != nil {
		tb.Fatal(err)
	}
	return db
}

func do(tb testing.TB, db *sql.DB, q string, args ...any) {
	tb.Helper()
	if _, err := db.Exec(q, args...); err != nil {
		tb.Fatal(err)
	}
}

// fill writes rows with an index, some of them longer than a page, and leaves free pages.
func fill(tb testing.TB, db *sql.DB) {
	tb.Helper()
	do(tb, db, `CREATE TABLE t (id INTEGER PRIMARY KEY, name TEXT NOT NULL, body BLOB NOT NULL)`)
	do(tb, db, `CREATE INDEX t_name ON t (name)`)
	do(tb, db, `WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 300)
		INSERT INTO t SELECT i, 'name ' || (i * 7919 % 300), zeroblob(CASE i % 50 WHEN 0 THEN 9000 ELSE 200 END) FROM n`)
	do(tb, db, `DELETE FROM t WHERE id > 220`)
}

// said is all that the file says, read by table and by index.
func said(db *sql.DB) (string, error) {
	var byTable, byIndex string
	err := db.QueryRow(`SELECT group_concat(id || name || length(body) || quote(body)) FROM (SELECT * FROM t NOT INDEXED ORDER BY id)`).Scan(&byTable)
	if err != nil {
		return "", err
	}
	err = db.QueryRow(`SELECT group_concat(name || id) FROM (SELECT name, id FROM t INDEXED BY t_name ORDER BY name)`).Scan(&byIndex)
	return byTable + byIndex, err
}

func flip(tb testing.TB, path string, bit int64) {
	tb.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		tb.Fatal(err)
	}
	var b [1]byte
	if _, err := f.ReadAt(b[:], bit/8); err != nil {
		tb.Fatal(err)
	}
	b[0] ^= 1 << (bit % 8)
	if _, err := f.WriteAt(b[:], bit/8); err != nil {
		tb.Fatal(err)
	}
	if err := f.Close(); err != nil {
		tb.Fatal(err)
	}
}

func bits(tb testing.TB, path string) int64 {
	tb.Helper()
	i, err := os.Stat(path)
	if err != nil {
		tb.Fatal(err)
	}
	return 8 * i.Size()
}

func goOn() error { return nil }

// A flipped bit anywhere in a file is found by a check of its pages, and nothing that it changed is ever read.
func TestAFlippedBitIsNeverRead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f.db")
	var noticed atomic.Int64
	db := checked(t, path, &noticed)
	fill(t, db)
	want, err := said(db)
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	if err := sqlitefile.CheckPages(path, goOn); err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(8, 20))
	flips := []int64{8 * 20, 8*20 + 3, 8*20 + 7, 8 * 16, 8 * 18, 8 * 28, 0, bits(t, path) - 1} // the header's fields, the last bit
	for range 40 {
		flips = append(flips, rnd.Int64N(bits(t, path)))
	}
	refused := 0
	for _, bit := range flips {
		flip(t, path, bit)
		if err := sqlitefile.CheckPages(path, goOn); !errors.Is(err, sqlitefile.ErrDamaged) {
			t.Errorf("bit %d is not found: %v", bit, err)
		}
		noticed.Store(0)
		db, err := sqlitefile.OpenChecked(path, "", "", func(error) { noticed.Add(1) })
		if err != nil {
			t.Fatal(err)
		}
		switch got, err := said(db); {
		case err == nil && got != want:
			t.Errorf("bit %d: something else is read", bit)
		case err != nil && noticed.Load() == 0:
			t.Errorf("bit %d: nobody hears of %v", bit, err)
		case err != nil:
			refused++
		}
		_ = db.Close() // which may say that the file is damaged
		flip(t, path, bit)
	}
	if refused < len(flips)/2 {
		t.Errorf("%d of %d flips were met by a read", refused, len(flips))
	}
	if err := sqlitefile.CheckPages(path, goOn); err != nil {
		t.Error(err)
	}
}

// A bit that flips in the write-ahead log of an open file is not read either, and does not get into the file.
func TestAFlippedBitInTheLogOfAnOpenFileIsNeverRead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f.db")
	var noticed atomic.Int64
	db := checked(t, path, &noticed)
	defer func() { _ = db.Close() }()
	fill(t, db)
	frames := bits(t, path+"-wal") / 8 / (page + 24)
	rnd := rand.New(rand.NewPCG(8, 21))
	refused := 0
	for range 25 {
		at := 32 + rnd.Int64N(frames)*(page+24) + 24 + rnd.Int64N(page)
		flip(t, path+"-wal", 8*at)
		noticed.Store(0)
		other := checked(t, path, &noticed)
		if _, err := said(other); err != nil {
			refused++
			if noticed.Load() == 0 {
				t.Errorf("nobody hears of %v", err)
			}
		}
		if refused == 1 {
			if err := other.QueryRow(`PRAGMA wal_checkpoint(PASSIVE)`).Scan(new(int), new(int), new(int)); err == nil {
				t.Error("damaged frames were written into the file")
			}
		}
		_ = other.Close()
		flip(t, path+"-wal", 8*at)
	}
	if refused == 0 {
		t.Error("no flip was met by a read")
	}
	if _, err := said(db); err != nil {
		t.Error(err)
	}
}

// Many transactions, readers, checks and takings-over at once: no false alarm.
func TestAFileInUseRaisesNoAlarm(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f.db")
	var noticed atomic.Int64
	db := checked(t, path, &noticed)
	defer func() { _ = db.Close() }()
	fill(t, db)
	ctx, cancel := context.WithCancel(context.Background())
	var readers sync.WaitGroup
	readers.Go(func() {
		for ctx.Err() == nil {
			if _, err := said(db); err != nil {
				t.Error(err)
			}
			if err := sqlitefile.CheckPages(path, goOn); err != nil {
				t.Error(err)
			}
		}
	})
	for i := range 30 {
		// More pages than the cache holds, each changed more than once.
		tx, err := db.Begin()
		if err != nil {
			t.Fatal(err)
		}
		for n := range 3 {
			if _, err := tx.Exec(`UPDATE t SET body = randomblob(300 + ?1 % 7), name = 'name ' || (id * ?1 % 300) WHERE id % 3 = ?2`, 7919+i, n); err != nil {
				t.Fatal(err)
			}
			if err := tx.QueryRow(`SELECT count(*) FROM t WHERE name > 'name 3'`).Scan(new(int)); err != nil {
				t.Fatal(err)
			}
		}
		if err := tx.Commit(); err != nil {
			t.Fatal(err)
		}
		if i%3 == 0 {
			do(t, db, `PRAGMA wal_checkpoint(PASSIVE)`)
		}
	}
	cancel()
	readers.Wait()
	if n := noticed.Load(); n > 0 {
		t.Errorf("%d false alarms", n)
	}
}

// killed is what a program that was killed leaves behind: the files as they are.
func killed(tb testing.TB, path string) string {
	tb.Helper()
	to := filepath.Join(tb.TempDir(), "f.db")
	for _, suffix := range []string{"", "-wal", "-shm"} {
		b, err := os.ReadFile(path + suffix)
		if err == nil {
			err = os.WriteFile(to+suffix, b, 0o600)
		}
		if err != nil {
			tb.Fatal(err)
		}
	}
	return to
}

// After an unclean end SQLite takes a damaged log up to the damage and says nothing. Where the file has later pages
// already, that mixes two states.
func TestADamagedLogIsFoundBeforeItIsRecovered(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f.db")
	var noticed atomic.Int64
	db := checked(t, path, &noticed)
	defer func() { _ = db.Close() }()
	fill(t, db)
	frame := func(n int64) int64 { return 8 * (32 + n*(page+24) + 24 + 1000) }
	before := bits(t, path+"-wal") / 8 / (page + 24)
	// Who reads keeps SQLite from beginning the log anew.
	reader, err := db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = reader.Rollback() }()
	if err := reader.QueryRow(`SELECT count(*) FROM t`).Scan(new(int)); err != nil {
		t.Fatal(err)
	}
	do(t, db, `PRAGMA wal_checkpoint(PASSIVE)`)
	for n, tc := range []struct {
		name    string
		more    bool // a transaction that the file does not have yet
		bits    []int64
		damaged bool
	}{
		{"as it was left", false, nil, false},
		{"the first frame, which the file has", false, []int64{frame(0)}, true},
		{"the last frame, which the file has", false, []int64{frame(before - 1)}, true},
		{"the log's header", false, []int64{8 * 17}, true},
		{"with a transaction that is in the log alone", true, nil, false},
		{"a frame before it", true, []int64{frame(1)}, true},
		{"a frame of it: it is as if it had not been written", true, []int64{frame(before)}, false},
	} {
		if tc.more && n > 0 {
			do(t, db, fmt.Sprintf(`UPDATE t SET name = 'again %d' WHERE id = 3`, n))
		}
		left := killed(t, path)
		for _, bit := range tc.bits {
			flip(t, left+"-wal", bit)
		}
		if err := sqlitefile.LeftBehind(left); errors.Is(err, sqlitefile.ErrDamaged) != tc.damaged || err != nil && !tc.damaged {
			t.Errorf("%s: %v", tc.name, err)
		}
		if tc.damaged {
			continue
		}
		again := checked(t, left, &noticed)
		if _, err := said(again); err != nil {
			t.Errorf("%s: %v", tc.name, err)
		}
		if err := errors.Join(again.Close(), sqlitefile.CheckPages(left, goOn)); err != nil {
			t.Errorf("%s: %v", tc.name, err)
		}
	}
}

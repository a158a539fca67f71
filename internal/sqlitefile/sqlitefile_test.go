package sqlitefile_test

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"testing"

	_ "modernc.org/sqlite"

	"cannulary/internal/keyring"
	"cannulary/internal/sqlitefile"
	"cannulary/internal/view"
)

// A folder's name may hold any sign that the system allows. What is kept in it, the keys of
// patients above all, lies in it and not in a file beside it.
func TestAFileLiesInItsFolderWhateverThatIsCalled(t *testing.T) {
	for _, name := range []string{"plain", "a#b", "a?b", "a%41b", "a b", "100%", "ä&_pragma=x"} {
		for what, open := range map[string]func(dir string) error{
			"a file": func(dir string) error {
				db, err := sql.Open("sqlite", sqlitefile.Name(filepath.Join(dir, "f.db"), "_pragma=busy_timeout(100)"))
				if err != nil {
					return err
				}
				_, err = db.Exec(`CREATE TABLE t (x)`)
				return errors.Join(err, db.Close())
			},
			"the view": func(dir string) error {
				s, err := view.Open(context.Background(), dir)
				if err != nil {
					return err
				}
				_, err = s.Facilities(context.Background()) // read through the readers' connections
				return errors.Join(err, s.Close())
			},
			"the keys": func(dir string) error {
				s, err := keyring.OpenFolder(context.Background(), dir)
				if err != nil {
					return err
				}
				return s.Close()
			},
		} {
			root := t.TempDir()
			dir := filepath.Join(root, name)
			if err := os.Mkdir(dir, 0o700); err != nil {
				t.Fatal(err)
			}
			if err := open(dir); err != nil {
				t.Errorf("%s in %q: %v", what, name, err)
				continue
			}
			beside, err := os.ReadDir(root)
			if err != nil || len(beside) != 1 {
				t.Errorf("%s in %q: beside the folder lies %v (%v)", what, name, beside, err)
			}
			files, err := filepath.Glob(filepath.Join(root, "*", "*.db"))
			if err != nil || len(files) == 0 {
				t.Fatalf("%s in %q: files %v (%v)", what, name, files, err)
			}
			if i, err := os.Stat(files[0]); err != nil || i.Size() == 0 {
				t.Errorf("%s in %q: the file is empty (%v)", what, name, err)
			}
		}
	}
}

package eventlog_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cannulary/internal/eventlog"
)

// A mark of which both slots are damaged is said, with what to do; one that is not there is none.
func TestADamagedMarkIsSaid(t *testing.T) {
	path := filepath.Join(t.TempDir(), "acknowledged")
	if _, ok, err := eventlog.ReadHead(path); ok || err != nil {
		t.Errorf("without a file: %v, %v", ok, err)
	}
	if err := os.WriteFile(path, bytes.Repeat([]byte{7}, 5000), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, ok, err := eventlog.ReadHead(path); ok || !errors.Is(err, eventlog.ErrHead) || !strings.Contains(err.Error(), "move the file away") {
		t.Errorf("damaged: %v, %v", ok, err)
	}
}

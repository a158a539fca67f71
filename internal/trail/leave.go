package trail

import (
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"

	logv1 "cannulary/proto/cannulary/log/v1"
)

// Leave keeps an entry of what a command does with a stopped instance, which the caller has locked or made. dir is the
// folder of its trail. It returns once the entry is on disk; the next start writes it into the stream. Principal, time,
// action and route must be set.
func Leave(dir string, e *logv1.Access) error {
	e.Id, e.Status, e.Spooled = newID(), http.StatusOK, true
	data, err := encode(e)
	if err == nil {
		err = os.MkdirAll(dir, 0o700)
	}
	if err != nil {
		return fmt.Errorf("trail: %w", err)
	}
	s, err := openSpool(filepath.Join(dir, spoolFile))
	if err != nil {
		return err
	}
	return errors.Join(s.append(data), s.close())
}

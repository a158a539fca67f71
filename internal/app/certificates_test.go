package app

import (
	"log/slog"
	"path/filepath"
	"testing"
)

// Two certificates may have the same file name; neither may hide the other. Both are missing
// here, so both must alarm.
func TestEveryWatchedCertificateIsTold(t *testing.T) {
	dir := t.TempDir()
	gateway, portal, own := filepath.Join(dir, "gateway", "tls.crt"), filepath.Join(dir, "portal", "tls.crt"), filepath.Join(dir, "own.crt")
	for _, c := range []struct {
		name  string
		files []string
		want  []string
	}{
		{"one", []string{own}, []string{"own.crt"}},
		{"one, given twice", []string{own, own}, []string{"own.crt"}},
		{"two with the same name", []string{gateway, own, portal}, []string{gateway, portal, "own.crt"}},
	} {
		a := &App{cfg: Config{WatchCertificates: c.files, Slog: slog.New(slog.DiscardHandler)}}
		got := a.certificates()
		if len(got) != len(c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
		for _, name := range c.want {
			if end, ok := got[name]; !ok || end.Unix() != 0 {
				t.Errorf("%s: %s ends %v, want 1970: a certificate that cannot be read counts as ended", c.name, name, end)
			}
		}
	}
}

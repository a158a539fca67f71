package devissuer_test

import (
	"strings"
	"testing"
	"time"

	"cannulary/internal/people/devissuer"
)

// What asks for no password must not be reached from elsewhere.
func TestTheDevelopmentIssuerStaysOnThisMachine(t *testing.T) {
	for _, address := range []string{"0.0.0.0:0", ":0", "[::]:0", "192.0.2.1:0", "issuer.example:0", "127.0.0.1"} {
		i, err := devissuer.Start(t.Context(), address, devissuer.People("x"), time.Now)
		if err == nil || !strings.Contains(err.Error(), "the development issuer asks for no password, so it listens on this machine alone, not on") {
			t.Errorf("%s: %v", address, err)
		}
		if err == nil {
			i.Stop()
		}
	}
}

package door

import "testing"

func TestWhoMayAskByTheOperatorsSocket(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name      string
		peer, own int
		may       bool
	}{
		{"the user of the service", 998, 998, true},
		{"root, of a service of another user", 0, 998, true},
		{"another user", 1000, 998, false},
		{"another user, of a service that runs as root", 1000, 0, false},
		{"nobody, as users outside the namespace are seen", 65534, 998, false},
	} {
		if got := mayOperate(c.peer, c.own); got != c.may {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

package tier_test

import (
	"testing"

	"cannulary/internal/testkit/tier"
)

func TestSizes(t *testing.T) {
	for value, want := range map[string][2]int{"": {1, 1}, "full": {2, 1}, "torture": {2, 2}} {
		t.Setenv("CANNULARY_TESTS", value)
		if got := [2]int{tier.Of(1, 2), tier.Torture(1, 2)}; got != want {
			t.Errorf("with %q the sizes are %d, want %d", value, got, want)
		}
	}
	t.Setenv("CANNULARY_TESTS", "ful")
	defer func() {
		if recover() == nil {
			t.Error("a misspelt value is taken")
		}
	}()
	tier.Of(1, 2)
}

package tier_test

import (
	"testing"

	"cannulary/internal/testkit/tier"
)

func TestSizes(t *testing.T) {
	for value, want := range map[string]int{"": 1, "full": 2} {
		t.Setenv("CANNULARY_TESTS", value)
		if got := tier.Of(1, 2); got != want {
			t.Errorf("with %q the size is %d, want %d", value, got, want)
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

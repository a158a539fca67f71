// Package tier says how large generated tests are. The small sizes touch every promise within
// minutes. CANNULARY_TESTS=full asks for the full sizes, as make check does, and =torture for the largest sizes of
// the campaigns as well, as make torture does.
package tier

import (
	"fmt"
	"os"
)

const variable = "CANNULARY_TESTS"

// Full reports whether the full sizes are wanted.
func Full() bool {
	switch v := os.Getenv(variable); v {
	case "":
		return false
	case "full", "torture":
		return true
	default:
		panic(fmt.Sprintf("%s is %q: set it to full or torture, or leave it empty for the small sizes", variable, v))
	}
}

// Of gives the small size, or the full one where the full sizes are wanted.
func Of[T any](small, full T) T {
	if Full() {
		return full
	}
	return small
}

// Torture gives the small size of a campaign, or the whole one, which takes an hour.
func Torture[T any](small, whole T) T {
	if os.Getenv(variable) == "torture" {
		return whole
	}
	return Of(small, small) // which refuses a misspelt size
}

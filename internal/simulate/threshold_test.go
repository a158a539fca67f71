package simulate

import (
	"fmt"
	"testing"

	"cannulary/internal/surveil/incidence"
)

// TestEverySizeOfUnitHasAThreshold: setThreshold relies on it.
func TestEverySizeOfUnitHasAThreshold(t *testing.T) {
	for _, patients := range []int{1, 2, 3, 10, 60, 200, 500} {
		t.Run(fmt.Sprint(patients), func(t *testing.T) {
			d, err := incidence.DesignFor(incidence.Setting{PatientMonths: max(1, float64(patients)/2), Rate: usualRate}, 3, 120)
			if err != nil || d.H <= 0 || d.H > 100 {
				t.Fatal(d.H, err)
			}
		})
	}
}

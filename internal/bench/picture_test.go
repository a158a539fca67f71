package main

import (
	"encoding/xml"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The picture shows each value of each point once: the slower the higher, the larger the view the further right.
func TestThePictureOfGrowthShowsWhatWasMeasured(t *testing.T) {
	path := filepath.Join(t.TempDir(), "growth.svg")
	points := []point{{10_000, 1, 4, 0.5, 4100}, {100_000, 1.5, 3, 0.5, 4200}, {1_000_000, 2, 8, 0.6, 4000}}
	if err := drawGrowth(path, points); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var svg struct {
		Circles []struct {
			X float64 `xml:"cx,attr"`
			Y float64 `xml:"cy,attr"`
		} `xml:"circle"`
	}
	if err := xml.Unmarshal(data, &svg); err != nil {
		t.Fatal(err)
	}
	values := []float64{4, 3, 8, 1, 1.5, 2, 0.5, 0.5, 0.6}
	if len(svg.Circles) != len(values) {
		t.Fatalf("%d values are shown, want %d", len(svg.Circles), len(values))
	}
	for i, a := range svg.Circles {
		for k, b := range svg.Circles {
			if (values[i] > values[k]) != (a.Y < b.Y) {
				t.Errorf("%g ms stands at height %g, %g ms at %g", values[i], a.Y, values[k], b.Y)
			}
			if (i%3 > k%3) != (a.X > b.X) {
				t.Errorf("%d events stand at %g, %d at %g", points[i%3].events, a.X, points[k%3].events, b.X)
			}
		}
	}
	for _, n := range []string{"10,000", "100,000", "1,000,000"} {
		if !strings.Contains(string(data), ">"+n+"<") {
			t.Errorf("%s events are not named", n)
		}
	}
	if err := drawGrowth(path, points[:1]); err == nil || err.Error() != "a picture of growth needs two sizes, there is 1: take fewer months or a larger -grow" {
		t.Errorf("one point: %v", err)
	}
}

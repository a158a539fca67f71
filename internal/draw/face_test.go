package draw_test

import (
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

var faces = sync.OnceValue(func() [2]font.Face {
	var out [2]font.Face
	for i, data := range [][]byte{goregular.TTF, gobold.TTF} {
		f, err := opentype.Parse(data)
		if err != nil {
			panic(err)
		}
		if out[i], err = opentype.NewFace(f, &opentype.FaceOptions{Size: 100, DPI: 72}); err != nil {
			panic(err)
		}
	}
	return out
})

var measuring sync.Mutex

// faceWidth is the width of a text in a real face, which this package knows nothing of.
func faceWidth(text string, size float64, bold bool) float64 {
	measuring.Lock()
	defer measuring.Unlock()
	face := faces()[0]
	if bold {
		face = faces()[1]
	}
	var w fixed.Int26_6
	for _, r := range text {
		a, ok := face.GlyphAdvance(r)
		if !ok {
			a = fixed.I(100)
		}
		w += a
	}
	return float64(w) / 64 / 100 * size
}

// Package draw draws what the record says: the life of a track as a strip of columns. A drawing is
// an SVG made of plain figures, with everything escaped. It needs no script, no file and no style
// attribute, and it can be read in print and without colour.
package draw

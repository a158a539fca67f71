// Package draw draws what the record says: an access and its tracks as a limb from above, a track
// from the side, the life of a track as a strip of columns. A drawing is an SVG made of plain figures,
// with everything escaped. It needs no script, no file and no style attribute; the classes of limb and
// side begin with "d-". Without a stylesheet, in print and without colour it is still readable. What is
// not recorded is drawn dashed or as a question mark and said in words, never guessed.
//
// Every drawing says the same in words: limb and side in the title and the description of the SVG, a
// life in the table that stands beside it.
package draw

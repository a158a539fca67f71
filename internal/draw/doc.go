// Package draw draws what the record says of an access and its tracks: a limb from above, a track
// from the side. A drawing is an SVG made of plain figures, with everything escaped. It needs no
// script, no file and no style attribute; its classes begin with "d-", and without a stylesheet it
// is still readable. What is not recorded is drawn dashed and said in words, never guessed.
//
// Every drawing says the same in words: the title and the description of the SVG.
package draw

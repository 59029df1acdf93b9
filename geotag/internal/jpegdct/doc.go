// Package jpegdct decodes JPEG images at a half, a quarter or an eighth of their
// size, from the low frequencies of each block of 8 by 8 pixels: what is needed to
// measure a photo, or to draw it small, at a fraction of what all its pixels cost.
//
// It reads what ITU-T T.81 calls baseline, extended sequential and progressive DCT
// with Huffman coding and 8 bits a sample: one, three or four components, any
// sampling factors that the standard library's decoder takes, restart markers. All
// entropy coded data is read, so that damage is found wherever it is.
package jpegdct

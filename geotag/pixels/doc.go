// Package pixels measures what the coding and the pixels of a photo say about
// its use as evidence: how large it is, how strongly it was compressed, whether
// it is blurred or clipped, and whether another photo is a copy of it. It knows no
// points and no files: it works on an io.ReaderAt.
//
// [Measure] gives the [Measures] of one image in JPEG, PNG, WebP or TIFF. [Compare]
// tells how two pictures are related by their previews, and [Alike] finds the related
// ones of many.
//
// # Blur
//
// The measure is the spread of edges. The brightness is brought down to a longer
// side of 512 pixels (a smaller image is taken as it is), smoothed with 1 4 6 4 1,
// and cut into tiles of about 32 pixels; a tenth on each side is left out, because
// captions are stamped there that stay sharp whatever the lens did. In each tile,
// and in four directions, the squared first and second differences are summed. Half
// of their ratio is the variance of the Gaussian that would spread a step edge as
// much, whatever the contrast; see the derivation at the function spread. Tiles
// without edges are left out, the lower quartile of the rest is the value of the
// direction, and the worst direction decides, so that a shake is found that leaves
// the edges along it sharp. (Ratios of derivative energies are among the focus
// measures compared by S. Pertuz, D. Puig and M. A. Garcia, Analysis of focus measure
// operators for shape-from-focus, 2013, from memory; this one and its figures are our
// own.)
//
// On 16 photos of the test data of two metadata readers, sharp to the eye at that
// size, it gives 0.85 to 1.39 pixels. Copies of them were blurred, given noise of two
// levels and coded again at quality 80. Above [SharpBlur], 1.7 pixels, are, with the
// area under the ROC curve:
//
//	sharp                               0 of 16
//	Gaussian, standard deviation 2 px  12 of 16  1.000
//	Gaussian, 3 px                     16 of 16  1.000
//	shake of 10 px, along the rows      7 of 16  0.980
//	shake of 20 px, aslant             13 of 16  1.000
//
// where px are those of the picture at 512. The limit is chosen against false
// positives. Not detected are a blurred subject before a sharp background (a quarter
// of the tiles is enough) and lettering too small to read; noise lowers the blur
// measured, though not to that of a sharp image.
//
// # Cost
//
// A JPEG image of 1,792 pixels or more along its longer side is decoded at 1/2, 1/4 or
// 1/8, so that 896 pixels or more are left of it, from the low frequencies of its
// blocks. Against the decode in full that moved blur by less than 0.1 pixels on real
// photos, and the shares of Exposure by less than 0.02, as the brightest and darkest
// specks are averaged with what is around them; class of blur and likeness of the
// preview were the same for all (TestScaleTellsTheSame).
//
// A baseline JPEG takes 1.5 bytes of memory a pixel that is decoded (4:2:0) to 3
// (4:4:4), an RGB one 8 and a CMYK one 9; a progressive one 6 to 16 more for each pixel
// of the image, and 3 to 8 where it is decoded at a smaller scale; a PNG image 1 (grey)
// to 11 (colour of 16 bits), and half as much again where it is interlaced; a WebP
// image 1.5 to 7, a TIFF image 1 to 11. Measuring takes a quarter of what image/jpeg and
// SHA-256 alone do for ten million pixels, and 1.4 to 2 times as long for half a million.
// Images that declare more pixels than the limits allow, or more than their file can
// hold (which of WebP and TIFF is not known), are not decoded.
//
// # Errors and concurrency
//
// Errors come wrapped: errors.Is finds [ErrNoDecoder] and [ErrTooLarge]. The functions
// are safe for concurrent use, and share one bound on the pixels that are in memory; the
// types are plain values.
//
// The pixels say nothing about what a photo shows. A photo that passes may show
// the wrong thing sharply.
package pixels

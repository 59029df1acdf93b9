// Package ifd walks the directories of a TIFF structure, held in memory as an
// Exif block is, or read as it is needed from a file of any length: it finds
// entries and the place of every value, and interprets nothing. It follows TIFF
// 6.0 section 2 and never reads outside the block.
package ifd

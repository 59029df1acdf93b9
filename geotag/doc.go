// Package geotag reads the geotag of a photo and corrects it without touching
// any other byte. It knows no points, no grids and no files: it works on an
// io.ReaderAt or on bytes.
//
// # Reading
//
// [Read] and [ReadBytes] return a [Tag]: the position with its resolution, the
// altitude and what it counts from, the accuracy as the device states it, map
// datum, image direction, destination, GPS time, the camera's time, make, model
// and serial number, pixel size and orientation, and the texts in which crews
// leave a point's id. They read the header only: one read of 64 KiB for nearly
// all photos, and never the image data.
//
// Nothing in a Tag is guessed. What the image states and can't be believed is
// nil, or empty, and leaves a typed [Warning]: a rational of 0/0, 91 degrees,
// 75 minutes, degrees with a fraction that minutes follow, a coordinate without
// its hemisphere, exactly 0 0, a direction without its north, a text in another
// encoding than stated, a loop of directories. An error is returned only where
// there is no image, or where the file ends or stops making sense before any
// metadata.
//
// What an image holds may be made to do harm: directories in circles, counts of
// billions, texts that inflate, packets nested deep. Whatever it is, reading one
// allocates no more than 64 MiB in all, and planning its correction no more than
// 256 MiB; nearly all need some KiB. Packets of more than 100,000 tags and
// attributes are not read.
//
// The position is the Exif one where it is sound, and else the one in the XMP
// packet; [Position.Source] says which. Both are compared, and a contradiction
// beyond their resolutions is a [WarnConflict].
//
// Frames and units: latitude and longitude are in degrees, north and east
// positive, in the frame that GPSMapDatum names and in WGS 84 where it names
// none; lengths are in metres, speeds in metres per second, angles in degrees
// clockwise from the north named with them; GPS times are UTC.
//
// # Writing
//
// [Plan] works out the smallest [Patch] that makes an [Edit]; [Patch.Apply]
// copies the image with it, and [Patch.Reverse] takes it back to the identical
// bytes. Every byte of the old metadata block keeps its offset in it, so that
// makers' notes and thumbnails stay whole. The folder ledger below this one does
// it with files.
//
// # Formats
//
// JPEG; PNG and APNG (chunk eXIf, or an Exif block kept as text in hexadecimal;
// XMP in a text chunk, compressed or not); WebP; TIFF and DNG; HEIF (HEIC) and
// AVIF; for reading only, the raw files of makers' own formats that are TIFF
// underneath; and XMP side-car files, which stand for photos in raw formats
// ([Tag.WithSidecar], [NewSidecar]; which file belongs to which photo is the
// caller's to know). What knows a format is in files of its own behind one table of
// containers; the readers of Exif blocks and XMP packets know nothing of it. A
// further format is one more file and one more line.
//
//   - PNG and WebP may keep metadata behind the image data. Their chunks are
//     followed to the end by reads of the few bytes that start each; the image data
//     are not read. Bounds: 16 MiB of an Exif block, 4 MiB of a packet, 8 MiB of a
//     text that is compressed, 64 chunks of metadata.
//   - A TIFF file is an Exif block with image data in it. The new GPS directory
//     goes to the end of the file, after a copy of the first directory where that
//     has no place for the pointer, and one pointer changes. Nothing moves. Bounds:
//     directories of 4096 entries, texts of 64 KiB, a packet of 4 MiB. Planning also
//     walks the directories of all pages, 4096 at most, with 4 MiB of strip offsets
//     each.
//   - In a file of boxes (ISO/IEC 14496-12, 23008-12) the Exif item goes to the end
//     and iloc leads there; nothing moves. Where there is none yet, the meta box
//     grows and the rest moves; see [Plan]. Bounds: a meta box of 4 MiB, an Exif item
//     of 8 MiB, a packet of 4 MiB, 131072 items and extents, 1024 boxes.
//
// Not read: extended XMP (what didn't fit into one segment), IPTC records,
// makers' notes, and positions of places that an XMP packet merely mentions.
//
// # Sources
//
// Exif: CIPA DC-008, up to version 3.0. TIFF 6.0. XMP: Adobe, XMP specification
// parts 1 to 3. JPEG: ITU-T T.81. PNG: W3C, third edition. WebP: RFC 9649. DNG:
// Adobe, DNG specification. HEIF and AVIF: ISO/IEC 14496-12 and 23008-12, and the
// AV1 Image File Format. What is met in files without being in a standard is called
// common practice where it is handled.
//
// A position in a photo is what a handheld believed. It is no survey, and
// nothing to navigate or dig by.
package geotag

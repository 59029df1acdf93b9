// Package geotag reads the geotag of a photo and corrects it without touching
// any other byte. It knows no points, no grids and no files: it works on an
// io.ReaderAt or on bytes.
//
// # Reading
//
// [Read] and [ReadBytes] return a [Tag]: position, altitude, accuracy, map datum,
// direction, destination, times, camera, pixel size, orientation, and the texts in
// which crews leave a point's id. They read the header only, one read of 64 KiB for
// nearly all photos, and never the image data.
//
// Nothing in a Tag is guessed. What the image states and cannot be right is nil, or
// empty, and leaves a typed [Warning]: a rational of 0/0, 91 degrees, 75 minutes,
// degrees with a fraction that minutes follow, a coordinate without its hemisphere,
// exactly 0 0, a direction without its north, a text in another encoding than stated,
// a loop of directories. An error is returned only where there is no image, or where
// the file ends or stops making sense before any metadata.
//
// Input may be hostile: whatever it is, reading it allocates no more than 64 MiB, and
// planning its correction no more than 256 MiB; nearly all need some KiB. Packets of
// more than 100,000 tags and attributes are not read.
//
// The position is the Exif one where it is sound, and else the one in the XMP packet;
// [Position.Source] says which. Both are compared, and a difference beyond their
// resolutions is a [WarnConflict].
//
// Latitude and longitude are in degrees, north and east positive, in the frame that
// GPSMapDatum names, WGS 84 where it names none; lengths are in metres, speeds in
// metres per second, angles in degrees clockwise from the north named with them; GPS
// times are UTC.
//
// # Writing
//
// [Plan] works out the smallest [Patch] that makes an [Edit]; [Patch.Apply] copies the
// image with it, and [Patch.Reverse] takes it back to the identical bytes. Every byte
// of the old metadata block keeps its offset in it, so that makers' notes and
// thumbnails stay whole. The package ledger does it with files.
//
// # Formats
//
// JPEG; PNG and APNG (chunk eXIf, or an Exif block kept as text in hexadecimal; XMP in
// a text chunk, compressed or not); WebP; TIFF and DNG; HEIF (HEIC) and AVIF; for
// reading only, raw files that are TIFF underneath; CR3 and RAF, which are recognized
// and not read; and XMP side-car files, in which photos in raw formats are tagged
// ([Tag.WithSidecar], [NewSidecar]; which file belongs to which photo is the caller's
// to know). Each format is a value in one table of containers; the readers of Exif
// blocks and XMP packets know nothing of it.
//
//   - PNG and WebP may keep metadata after the image data. Their chunks are
//     followed to the end by reads of the few bytes that start each. Bounds: 16 MiB
//     of an Exif block, 4 MiB of a packet, 8 MiB of a text that is compressed, 64
//     chunks of metadata.
//   - In a TIFF file the new GPS directory goes to the end of the file, after a copy
//     of the first directory where that has no room for the pointer, and one pointer
//     changes. Nothing moves. Bounds: directories of 4096 entries, texts of 64 KiB, a
//     packet of 4 MiB; for planning, 4096 pages with 4 MiB of strip offsets each.
//   - In a file of boxes (ISO/IEC 14496-12, 23008-12) the Exif item goes to the end
//     and iloc leads there; nothing moves. Where there is none yet, the meta box
//     grows and the rest moves; see [Plan]. Bounds: a meta box of 4 MiB, an Exif item
//     of 8 MiB, a packet of 4 MiB, 131072 items and extents, 1024 boxes.
//
// Not read: extended XMP, IPTC records, makers' notes, and positions of places that an
// XMP packet merely mentions.
//
// # Sources
//
// Exif: CIPA DC-008, up to version 3.0. TIFF 6.0. XMP: Adobe, XMP specification
// parts 1 to 3. JPEG: ITU-T T.81. PNG: W3C, third edition. WebP: RFC 9649. DNG:
// Adobe, DNG specification. HEIF and AVIF: ISO/IEC 14496-12 and 23008-12, and the
// AV1 Image File Format. What is met in files without being in a standard is called
// common practice where it is handled.
//
// # Errors and concurrency
//
// Errors come wrapped: errors.Is finds the variables of this package, [ErrFormat],
// [ErrCorrupt] and others, and [AboutImage] tells whether an error is about the image at
// all, and not about reading it. The zero Edit is one to latitude and longitude 0. A [Tag],
// an [Edit] and a [Patch] are plain values: any number of goroutines may read one, and
// no method changes it but those that decode into it.
//
// A position in a photo is what a handheld believed. It is no survey, and nothing to
// navigate or dig by.
package geotag

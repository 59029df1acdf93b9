// Package ledger corrects photos as files and keeps the way back: it applies a
// [geotag.Patch] to a photo so that the photo is at every moment wholly old or
// wholly new, and records the change in an append-only ledger from which the
// identical original bytes can be restored. It knows files and patches, and no
// surveyed points; what a correction was for is the caller's [Change.Reason].
//
// # Order of work
//
// For each photo: the result goes to a temporary file in the photo's own folder (or in
// the folder of the copy), and the SHA-256 of both are taken in one read. Where the
// file system can share blocks between files, and the change moves no byte that is
// kept, the temporary file shares those of the source instead, gets the changed runs,
// and is compared with it. The temporary file gets the photo's mode, times, and where
// the system allows it owner and extended attributes, and is synced. The record with
// the reverse patch is appended to the ledger and synced. If the photo changed
// meanwhile nothing more happens. Then the temporary file takes the photo's place, and
// the folder is synced. On Linux, where the file system can, the two are exchanged
// (renameat2(2)) and the old one is looked at again before it is removed, so that a
// file that another program puts there at the last moment is put back; elsewhere it is
// renamed over, and a moment is left in which such a file is lost.
//
// [Ledger.Bulk] does the same for many photos: temporary files are made concurrently,
// the records of those that are ready are appended together, in the order of the
// changes, and synced once, the photos are renamed in that order, and each folder is
// synced once. Only then is success reported.
//
// A kill or a power cut therefore leaves the old photo (perhaps with a stray
// temporary file, which the next [Open] removes, and perhaps with a record of a
// change that was not made, which does no harm) or the new photo with its record on
// disk, provided that the disk keeps what it reports as synced. On Windows a folder
// can't be synced, so that a power cut (not a kill) can there undo a rename.
//
// In place is never a default: a [Task] with From writes the corrected copy into another
// folder and leaves the originals alone.
//
// # Files
//
// All paths go through an [os.Root]; a path that leaves it is refused. Only files
// with the name of a photo or of a side-car ([geotag.Extensions],
// [geotag.SidecarExtension]) are changed, removed or restored, and none in a hidden
// folder, whatever a ledger says: it may come from anywhere. Names are
// slash-separated, valid UTF-8 and relative to the root. A photo that is itself
// a symbolic link is refused, since a rename would replace the link and not the
// photo; a folder on the way to it may be a link that stays inside the root. A
// photo with several hard links is corrected under the name given; its other
// names keep the old bytes, and [Result.Notes] says so. On Windows, alternate
// data streams and access lists of their own are not carried over.
//
// While a [Ledger] is open it holds an advisory lock on the root (the file
// .phototie-ledger.lock, gone after Close; one left by a kill does no harm). A
// second process gets [ErrLocked]. Photos may be corrected from several goroutines,
// but a Bulk is faster. Opening the ledgers of a folder and of one inside it at once
// is unwise: [Open] of the outer one removes temporary files of a run in the inner
// one, unless that has a ledger file already; the run then fails with an error, and
// no photo is harmed. In WebAssembly no file can be locked: there the file itself is
// the lock, one left by a kill has to be removed by hand, and a program that is not
// WebAssembly passes over it, so that the two must not work on a folder at once.
//
// # The ledger file
//
// The ledger is the file [FileName] at the top of the root: UTF-8 text, one JSON
// object a line (JSON Lines), each line ended by a line feed, lines only ever
// added. The fields of format 1:
//
//	version      1. A reader refuses a record of a later version.
//	time         when the record was written, RFC 3339, UTC; missing where the
//	             same work is to give the same bytes on any day
//	tool         program and version that wrote it; may be missing
//	action       "correct": the photo was changed in place
//	             "copy":    the photo was written here from another folder,
//	                        corrected or (before = after) as it was
//	             "restore": the photo was taken back to earlier bytes
//	photo        slash-separated path below the folder that holds the ledger
//	source       slash-separated path of the photo that a copy was made from, below
//	             the folder that it was in; missing where it is the same as photo
//	created      true: there was no file before, before is the SHA-256 of no bytes
//	             and size_before is 0; to restore it, remove the file. Only with
//	             "correct"; missing otherwise. A reader that does not know this
//	             field restores to a file of no bytes.
//	before       SHA-256 of the photo's bytes before, 64 lower-case hex digits;
//	             for "copy": of the source's bytes
//	after        SHA-256 of the bytes after
//	size_before  length before, in bytes
//	size_after   length after, in bytes
//	meaning      what the new position is: "subject" or "camera"
//	             (see geotag.Meaning); missing where no tag was changed
//	reason       object of strings: the caller's reasons, such as the point's
//	             id and the verdict; may be missing
//	reverse      the patch that turns the bytes after into the bytes before;
//	             missing for "restore", whose way back is the older records:
//	    size_before  length of what it applies to, equal to size_after above
//	    splices      list, in order of off and apart:
//	        off      where the run starts, in bytes from the start of the file
//	        old      base64 (RFC 4648) of the bytes standing there
//	        new      base64 of the bytes that replace them
//	previous     SHA-256 of the line before, without its line feed, or of no bytes
//	             for the first line: a line that is removed is noticed, see
//	             [Repairs]. Missing in the records of older programs
//
// Fields that a reader does not know are ignored. A record states what was about
// to be done: it is on disk before the photo is renamed, so that after a kill
// the photo may still have the bytes before. Where a kill cut off the last line,
// its photo was not touched; where something else cut the file, it may be corrected
// without a way back. So [Open] looks at the photo, moves the line to the file
// [TornName], and [Ledger.Restore] says what it found. Any other line that can't be
// read is an error.
//
// # Errors
//
// Errors come wrapped: errors.Is finds the variables of this package, [ErrLocked],
// [ErrChanged] and others, and errors.As a [*LineError] with the line of the ledger that
// can't be used; [AboutInput] tells those about what was asked for from those of the disk.
//
// To restore by hand: while the photo's SHA-256 equals some record's after,
// replace the runs that its reverse patch lists; the result must have the
// SHA-256 before.
package ledger

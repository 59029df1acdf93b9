//go:build !unix

package ledger

import "io/fs"

// removesOpenFiles: an open file can't be relied on to be removable here.
const removesOpenFiles = false

// carryOver gives dst the mode of src, which on Windows is the read-only flag.
func carryOver(dst, _ file, info fs.FileInfo, inPlace bool) (notes []string, err error) {
	return carryMode(dst, info, inPlace, fs.ModePerm)
}

// syncDir does nothing: a folder can't be synced here.
func syncDir(folder, string) error { return nil }

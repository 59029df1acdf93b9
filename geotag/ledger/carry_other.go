//go:build !unix

package ledger

import (
	"fmt"
	"io/fs"
)

// removesOpenFiles: an open file can't be relied on to be removable here.
const removesOpenFiles = false

// carryOver gives dst the mode of src, which on Windows is the read-only flag.
func carryOver(dst, _ file, info fs.FileInfo, inPlace bool) (notes []string, err error) {
	fresh, err := dst.Stat()
	if err != nil {
		return nil, err
	}
	if mode := info.Mode().Perm(); fresh.Mode().Perm() != mode {
		if err := dst.Chmod(mode); err != nil {
			if inPlace {
				return nil, fmt.Errorf("can't keep its mode: %w", err)
			}
			notes = append(notes, fmt.Sprintf("its mode could not be kept: %v", err))
		}
	}
	return notes, nil
}

// syncDir does nothing: a folder can't be synced here.
func syncDir(folder, string) error { return nil }

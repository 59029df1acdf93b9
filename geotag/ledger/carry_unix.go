//go:build unix

package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"syscall"
)

// removesOpenFiles: an open file can be removed here.
const removesOpenFiles = true

// carryOver gives dst the mode of src, its extended attributes and, in place,
// its owner. What the system denies becomes a note, except the mode in place.
func carryOver(dst, src file, info fs.FileInfo, inPlace bool) (notes []string, err error) {
	fresh, err := dst.Stat()
	if err != nil {
		return nil, err
	}
	was, ok1 := info.Sys().(*syscall.Stat_t)
	is, ok2 := fresh.Sys().(*syscall.Stat_t)
	if inPlace && ok1 && ok2 {
		if was.Uid != is.Uid || was.Gid != is.Gid {
			// Owner and group, else the group alone, which its members may set.
			if err := dst.Chown(int(was.Uid), int(was.Gid)); err != nil {
				notes = append(notes, fmt.Sprintf("its owner could not be kept: %v", err))
				if was.Gid != is.Gid {
					if err := dst.Chown(-1, int(was.Gid)); err != nil {
						notes = append(notes, fmt.Sprintf("its group could not be kept: %v", err))
					}
				}
			}
		}
		if was.Nlink > 1 {
			notes = append(notes, fmt.Sprintf("it has %d other hard links, which keep the old bytes", was.Nlink-1))
		}
	}
	// After the owner, whose change may clear bits of the mode.
	const bits = fs.ModePerm | fs.ModeSetuid | fs.ModeSetgid | fs.ModeSticky
	denied, err := carryMode(dst, info, inPlace, bits)
	return slices.Concat(notes, denied, copyXattrs(dst, src, inPlace)), err
}

// syncDir makes a rename in the folder durable. File systems that can't sync a
// folder (some network ones) say so with EINVAL or ENOTSUP; there is nothing
// more to be done on them.
func syncDir(root folder, dir string) error {
	d, err := root.OpenFile(dir, os.O_RDONLY, 0)
	if err != nil {
		return err
	}
	err = d.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP) {
		err = nil
	}
	return errors.Join(err, d.Close())
}

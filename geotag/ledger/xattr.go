//go:build linux || darwin

package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"runtime"
	"strings"

	"golang.org/x/sys/unix"
)

// copyXattrs carries the extended attributes over, among them access lists on
// Linux and Finder tags on macOS. A copy on Linux takes only the user's own, as
// the others belong to the place. What the system denies becomes a note.
func copyXattrs(dst, src file, inPlace bool) (notes []string) {
	fail := func(what string, err error) {
		notes = append(notes, fmt.Sprintf("its extended attribute%s could not be kept: %v", what, err))
	}
	list, err := grow(func(b []byte) (int, error) { return unix.Flistxattr(int(src.Fd()), b) })
	if errors.Is(err, unix.ENOTSUP) {
		return nil // the photo can't have any
	}
	if err != nil {
		fail("s", err)
		return notes
	}
	for name := range strings.SplitSeq(strings.TrimSuffix(string(list), "\x00"), "\x00") {
		if name == "" || !inPlace && runtime.GOOS == "linux" && !strings.HasPrefix(name, "user.") {
			continue
		}
		get := func(f file) ([]byte, error) {
			return grow(func(b []byte) (int, error) { return unix.Fgetxattr(int(f.Fd()), name, b) })
		}
		value, err := get(src)
		if err != nil {
			fail(" "+name, err)
			continue
		}
		if have, err := get(dst); err == nil && bytes.Equal(have, value) {
			continue // such as a security label that the folder gives
		}
		if err := unix.Fsetxattr(int(dst.Fd()), name, value, 0); err != nil {
			fail(" "+name, err)
		}
	}
	return notes
}

// grow calls get with a buffer large enough.
func grow(get func([]byte) (int, error)) ([]byte, error) {
	for {
		n, err := get(nil)
		if err != nil || n == 0 {
			return nil, err
		}
		b := make([]byte, n)
		n, err = get(b)
		if errors.Is(err, unix.ERANGE) {
			continue // it grew meanwhile
		}
		if err != nil {
			return nil, err
		}
		return b[:n], nil
	}
}

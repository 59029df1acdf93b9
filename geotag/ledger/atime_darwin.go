package ledger

import (
	"io/fs"
	"syscall"
	"time"
)

// accessTime is the file's time of access, or the zero time, which leaves it.
func accessTime(fi fs.FileInfo) time.Time {
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return time.Unix(st.Atimespec.Unix())
	}
	return time.Time{}
}

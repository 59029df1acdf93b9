package main

import (
	"os"

	"golang.org/x/sys/unix"
)

// forget has the system forget what it holds of a file in memory, so that reading
// it again goes to the disk.
func forget(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := f.Sync(); err != nil {
		return err
	}
	return unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED)
}

package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// lockFile is the file that is the lock here, where none can be taken on a file.
type lockFile struct{}

// takeLock makes the lock file, which is the lock as long as it is there.
func takeLock(root folder) (*lockFile, error) {
	f, err := root.OpenFile(lockName, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o644)
	switch {
	case errors.Is(err, fs.ErrExist):
		return nil, fmt.Errorf("ledger of %s: %w: wait until it is done; if it was killed, remove %s", root.Name(), ErrLocked, lockName)
	case err != nil:
		return nil, fmt.Errorf("ledger of %s: can't lock the folder: %w", root.Name(), err)
	}
	return &lockFile{}, f.Close()
}

// dropLock removes the lock file.
func dropLock(root folder, lock *lockFile) error {
	if lock == nil {
		return nil
	}
	return root.Remove(lockName)
}

//go:build !wasm

package ledger

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/gofrs/flock"
)

// lockFile is the advisory lock that is held.
type lockFile = flock.Flock

// takeLock takes the advisory lock. The lock file is made through the root and
// compared with the one locked, so that the lock can't land outside the root.
func takeLock(root folder) (*lockFile, error) {
	fail := func(err error) error {
		return fmt.Errorf("ledger of %s: can't lock the folder: %w", root.Name(), err)
	}
	// The holder removes the file before it lets go, so a lock may turn out to
	// be on a file that is no longer there: then try again.
	for range 100 {
		f, err := root.OpenFile(lockName, os.O_RDWR|os.O_CREATE, 0o644)
		if err != nil {
			return nil, fail(err)
		}
		if err := f.Close(); err != nil {
			return nil, fail(err)
		}
		lock := flock.New(filepath.Join(root.Name(), lockName), flock.SetFlag(os.O_RDWR))
		ok, err := lock.TryLock()
		switch {
		case errors.Is(err, fs.ErrNotExist):
			here, serr := root.Stat(".")
			named, nerr := os.Stat(root.Name())
			if serr != nil || nerr != nil || !os.SameFile(here, named) {
				return nil, fail(fmt.Errorf("the path %s no longer leads to it", root.Name()))
			}
			continue // its holder removed it just now
		case err != nil:
			return nil, fail(err)
		case !ok:
			return nil, fmt.Errorf("ledger of %s: %w: wait until it is done, or end it", root.Name(), ErrLocked)
		}
		there, err := inPlace(root, lock)
		if there {
			return lock, nil
		}
		if err = errors.Join(err, lock.Unlock()); err != nil {
			return nil, fail(err)
		}
	}
	return nil, fail(errors.New("the lock file keeps changing"))
}

// inPlace reports whether the file that is locked is the one at its place.
func inPlace(root folder, lock *lockFile) (bool, error) {
	held, err := lock.Stat()
	if err != nil {
		return false, err
	}
	there, err := root.Lstat(lockName)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return false, nil
	case err != nil:
		return false, err
	case !os.SameFile(held, there) && !there.Mode().IsRegular():
		return false, fmt.Errorf("%s is not a regular file: remove it", lockName)
	}
	return os.SameFile(held, there), nil
}

// dropLock removes the lock file and releases the lock, in this order: see
// takeLock. Where an open file can't be removed (Windows) it stays, which does
// no harm.
func dropLock(root folder, lock *lockFile) error {
	if lock == nil {
		return nil
	}
	err := root.Remove(lockName)
	if err != nil && (errors.Is(err, fs.ErrNotExist) || !removesOpenFiles) {
		err = nil
	}
	return errors.Join(err, lock.Unlock())
}

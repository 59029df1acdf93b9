//go:build !linux

package ledger

import "errors"

// move can't be done here.
func (r rootFolder) move(from, to string, swap bool) error { return errors.ErrUnsupported }

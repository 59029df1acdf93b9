//go:build !linux

package ledger

import "errors"

// cloneFile can't share blocks here.
func cloneFile(dst, src file) error { return errors.ErrUnsupported }

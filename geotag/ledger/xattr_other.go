//go:build unix && !linux && !darwin

package ledger

// copyXattrs is not done here.
func copyXattrs(dst, src file, inPlace bool) []string { return nil }

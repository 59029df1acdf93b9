//go:build !wasm

package dataset

import "syscall"

// nonBlock has opening not wait for a program at the other end of a pipe.
const nonBlock = syscall.O_NONBLOCK

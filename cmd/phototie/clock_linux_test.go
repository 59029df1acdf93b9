package main

import (
	"errors"
	"time"

	"golang.org/x/sys/unix"
)

// processorTime is what this process has had of the processors, all of its threads
// together, and those that it started and that have ended.
func processorTime() time.Duration {
	var own unix.Timespec
	var children unix.Rusage
	if err := errors.Join(unix.ClockGettime(unix.CLOCK_PROCESS_CPUTIME_ID, &own), unix.Getrusage(unix.RUSAGE_CHILDREN, &children)); err != nil {
		panic(err) // every Linux has them
	}
	return time.Duration(own.Nano() + children.Utime.Nano() + children.Stime.Nano())
}

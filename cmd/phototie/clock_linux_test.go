package main

import (
	"time"

	"golang.org/x/sys/unix"
)

// processorTime is what this process has had of the processors, all of its threads
// together.
func processorTime() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_PROCESS_CPUTIME_ID, &ts); err != nil {
		panic(err) // every Linux has this clock
	}
	return time.Duration(ts.Nano())
}

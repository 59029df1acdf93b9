package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
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

// runPeak runs a command, and returns how much memory it had at most, in bytes, as far
// as a look every few milliseconds tells. What the system says when it has ended counts
// the memory of this process too, which it was for a moment.
func runPeak(cmd *exec.Cmd) (most float64, err error) {
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		return 0, err
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	for {
		select {
		case err := <-ended:
			if err != nil {
				err = fmt.Errorf("%w: %s", err, out.Bytes())
			}
			return most, err
		case <-time.After(5 * time.Millisecond):
			status, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid)) // gone at the end
			var kB float64
			if _, rest, ok := bytes.Cut(status, []byte("VmHWM:")); ok {
				fmt.Sscan(string(rest), &kB)
			}
			most = max(most, 1024*kB)
		}
	}
}

// Command phototie ties the photos of a survey job to the points they show:
// it compares each photo's tag with the surveyed position, judges and explains
// the difference, writes corrected positions back and restores them.
//
// Run phototie --help, or read README.md at the top of the repository.
package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"syscall"
	"time"

	"example.com/phototie/grid/crs"
)

// grace is how long a command may take to end after a signal: nothing that it waits
// for, a server or a disk that does not answer, keeps it longer.
const grace = 10 * time.Second

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	go func() {
		<-ctx.Done()
		stop() // a second signal ends the program at once
		time.Sleep(grace)
		fmt.Fprintln(os.Stderr, "phototie: interrupted, and ended while it still waited for something")
		os.Exit(exitInput)
	}()
	// A reader that goes, such as head, ends the work by an error of writing, so that
	// what a ZIP was unpacked to goes too.
	signal.Notify(make(chan os.Signal, 1), syscall.SIGPIPE)
	debug.SetTraceback("crash")
	if dir, err := os.UserCacheDir(); err == nil { // there is none without a home, and then nothing is kept
		crs.KeepSearches(filepath.Join(dir, "phototie", "searches"))
	}
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	os.Exit(code)
}

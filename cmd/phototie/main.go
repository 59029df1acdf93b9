// Command phototie ties the photos of a survey job to the points they show:
// it compares each photo's tag with the surveyed position, judges and explains
// the difference, writes corrected positions back and restores them.
//
// Run phototie --help, or read README.md at the top of the repository.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

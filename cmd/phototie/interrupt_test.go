package main

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"
)

// TestInterrupted: who ends a command by a signal is told so in plain words, and
// that it was no error of the program.
func TestInterrupted(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "job")
	if err := copyExample(dir); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for _, args := range [][]string{{"check", dir}, {"correct", "--into", dir + "-corrected", dir}, {"pack", "--into", dir + "-delivery", dir}} {
		errs.Reset()
		if code := run(ctx, args, &out, &errs); code != exitInput || !strings.Contains(errs.String(), "interrupted") || strings.Contains(errs.String(), "context") {
			t.Errorf("%s: exit code %d, %q", args[0], code, errs.String())
		}
	}
}

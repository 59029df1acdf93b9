package ledger

import (
	"context"
	"os"
)

// The three kinds of Task, for tests.

func (l *Ledger) Correct(ctx context.Context, c Change) (Result, error) {
	return l.Do(ctx, Task{Change: c})
}

func (l *Ledger) Create(ctx context.Context, c Change) (Result, error) {
	return l.Do(ctx, Task{Change: c, New: true})
}

func (l *Ledger) CorrectInto(ctx context.Context, from *os.Root, c Change) (Result, error) {
	return l.Do(ctx, Task{Change: c, From: from})
}

func (l *Ledger) correctInto(ctx context.Context, from folder, c Change) (Result, error) {
	return l.Do(ctx, Task{Change: c, from: from})
}

package main

import (
	"bytes"
	"context"
	"errors"
	"testing"
)

// Of two photos linked to one point the second shows the other one.
func TestRun(t *testing.T) {
	var b bytes.Buffer
	if err := run(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	const want = `one of B01: within, 0.5 m; budget 3 m handheld, 0.02 m survey, 0.1 m frame, 2 m standoff -> 6.1 m at 95 %; nearest B01
two of B01: gross, 21.6 m; budget 3 m handheld, 0.02 m survey, 0.1 m frame, 2 m standoff -> 6.1 m at 95 %; nearest B02
`
	if b.String() != want {
		t.Errorf("got\n%swant\n%s", b.String(), want)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := run(ctx, &b); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

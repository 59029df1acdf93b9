package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"example.com/phototie/match/dataset"
)

// progressAfter is how long a work must take before a bar is shown.
const progressAfter = time.Second

// progress returns a function that draws a progress bar on w once the work has
// gone on for a second, and one that takes the bar away and says how many there were
// and how long that took. Nothing is drawn where w is not a terminal.
func progress(w io.Writer, what string) (dataset.Progress, func()) {
	f, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return nil, func() {}
	}
	start := time.Now()
	var bar *progressbar.ProgressBar
	count := 0
	tell := func(done, total int) {
		count = done
		if bar == nil {
			if time.Since(start) < progressAfter {
				return
			}
			bar = progressbar.NewOptions(total,
				progressbar.OptionSetWriter(f),
				progressbar.OptionSetDescription(what),
				progressbar.OptionShowCount(),
				progressbar.OptionSetPredictTime(true),
				progressbar.OptionSetWidth(30),
				progressbar.OptionThrottle(100*time.Millisecond),
				progressbar.OptionClearOnFinish())
		}
		_ = bar.Set(done) // a bar that can't be drawn is no reason to stop the work
	}
	return tell, func() {
		if bar != nil {
			_ = bar.Finish()
			fmt.Fprintf(f, "%s: %d in %v\n", what, count, time.Since(start).Round(100*time.Millisecond))
		}
	}
}

// screen is a terminal that texts are fitted to.
type screen struct{ *os.File }

// Columns is how wide it is; 0 where it does not tell.
func (s screen) Columns() int {
	w, _, err := term.GetSize(int(s.Fd()))
	if err != nil {
		return 0
	}
	return min(w, 120) // longer lines read badly
}

package baseline

import (
	"errors"
	"fmt"
	"runtime"
	"strings"
	"testing"

	"example.com/phototie/match/problem"
)

// TestHostileText: a baseline of many megabytes, or of many mistakes, ends in an
// error of its file within bounds, and a large one that is right is read.
func TestHostileText(t *testing.T) {
	entries := func(n int, head string, extra string) string {
		var b strings.Builder
		b.WriteString("version = 1\n")
		for i := range n {
			fmt.Fprintf(&b, "[[%s]]\ncode = \"tag-gross\"\nphoto = \"photos/%d.jpg\"\nreason = \"seen\"\nexpires = 2027-03-31\n%s", head, i, extra)
		}
		return b.String()
	}
	for name, c := range map[string]struct{ text, want string }{
		"right":            {entries(20_000, "accept", ""), ""},
		"in capitals":      {entries(2_000, "Accept", "BY = \"x\"\n"), ""},
		"unknown tables":   {entries(20_000, "accepted", ""), `unknown key "accepted"`},
		"unknown keys":     {entries(20_000, "accept", "who = \"x\"\n"), `b.toml:7:1: unknown key "accept.who"`},
		"many duplicates":  {strings.ReplaceAll(entries(20_000, "accept", ""), "photos/", "photos/1.jpg\"#"), "stands already in line 2"},
		"too long":         {entries(200_000, "accept", ""), "larger than 16 MiB"},
		"nested lists":     {"a = " + strings.Repeat("[", 1_000_000), "b.toml:1"},
		"nested tables":    {"a = " + strings.Repeat("{a=", 1_000_000), "b.toml:1"},
		"a long key":       {strings.Repeat("a.", 100_000) + "a = 1", "b.toml"},
		"a long table":     {"[" + strings.Repeat("a.", 100_000) + "a]\n", "b.toml"},
		"keys again":       {strings.Repeat("version = 1\n", 100_000), "b.toml:2"},
		"comments":         {strings.Repeat("# a\n", 500_000), "version"},
		"no end of a text": {"version = 1\n[[accept]]\nreason = \"\"\"" + strings.Repeat("x\n", 1_000_000), "b.toml"},
		"zero bytes":       {strings.Repeat("\x00", 1_000_000), "b.toml:1"},
	} {
		t.Run(name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, err := Parse("b.toml", []byte(c.text))
			runtime.ReadMemStats(&after)
			if n := after.TotalAlloc - before.TotalAlloc; n > 512<<20 {
				t.Errorf("%d MiB allocated for %d KiB", n>>20, len(c.text)>>10)
			} else {
				t.Logf("%d KiB allocated for %d KiB", n>>10, len(c.text)>>10)
			}
			var p *problem.Problem
			switch {
			case c.want == "" && err != nil, c.want != "" && (!errors.As(err, &p) || !strings.Contains(err.Error(), c.want)):
				t.Errorf("got %.300v, want %q", err, c.want)
			case err != nil && len(err.Error()) > 20_000:
				t.Errorf("an error of %d bytes", len(err.Error()))
			}
		})
	}
}

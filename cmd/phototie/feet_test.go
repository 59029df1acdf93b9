package main

import (
	"bytes"
	"path/filepath"
	"regexp"
	"testing"
)

// metres finds a length in metres, and stated what may be one: in brackets, beside
// feet, where a standard or the settings have metres.
var (
	metres = regexp.MustCompile(`.{0,40}[0-9][ \x{a0}\x{202f}](?:m|mm|cm|km|metres?)\b.{0,20}`)
	stated = regexp.MustCompile(`\([0-9.]+[ \x{a0}\x{202f}](?:m|mm|km)\)`)
	markup = regexp.MustCompile(`(?s)<style.*?</style>|<script.*?</script>|<[^>]*>`)
)

// A job on feet is told in feet, in the text and on every sheet of the record.
func TestFeetAlone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "tallow")
	for _, args := range [][]string{{"demo", "--job", "tallow-creek", dir}, {"check", "--all", dir}, {"report", "--out", "-", "--pictures", "none", dir}} {
		var out, errs bytes.Buffer
		if code := run(t.Context(), args, &out, &errs); code > exitFindings {
			t.Fatalf("%q: %s", args, errs.String())
		}
		text := stated.ReplaceAll(markup.ReplaceAll(out.Bytes(), []byte(" ")), nil)
		if args[0] != "demo" && !bytes.Contains(text, []byte("ftUS")) {
			t.Errorf("%q speaks of no feet", args)
		}
		for _, m := range metres.FindAll(text, 5) {
			t.Errorf("%q speaks of metres: %s", args, m)
		}
	}
}

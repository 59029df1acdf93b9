// Package page has what the pages that are written have in common: the policy that
// lets them run their own script and nothing else, and the styles of the verdicts.
package page

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/palette"
)

// Policy forbids a page everything but its own styles, the given script and the
// pictures in it.
func Policy(script string) string {
	h := sha256.Sum256([]byte(script))
	return "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-" + base64.StdEncoding.EncodeToString(h[:]) + "'; base-uri 'none'; form-action 'none'"
}

// Verdicts are the styles of the verdicts, of class v and their name.
func Verdicts() string {
	var b strings.Builder
	for _, v := range match.Verdicts {
		l := palette.Of[v]
		fmt.Fprintf(&b, ".v.%s { color: %s; border: %dpx %s %s; }\n.v.%s::before { content: \"%s\"; content: \"%s\" / \"\"; }\n",
			v, l.Ink, l.BorderWidth, l.Border, l.Ink, v, l.Mark, l.Mark)
	}
	return b.String()
}

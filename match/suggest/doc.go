// Package suggest names the known word that is nearest to an unknown one, for the
// errors about keys, codes and values that a user wrote.
package suggest

import (
	"fmt"
	"strings"

	"github.com/agnivade/levenshtein"
)

// Nearest returns `; did you mean "x"?` with the known word that is nearest to
// word by edit distance without regard to case, the first of several. Where none
// is near (a third of the letters of the longer one changed or fewer; of words of five
// letters or more two, of shorter ones one) it returns "; known are" with all of them. It is empty where nothing is
// known.
func Nearest(word string, known ...string) string {
	best, least := "", -1
	for _, k := range known {
		a, b := strings.ToLower(word), strings.ToLower(k)
		d := levenshtein.ComputeDistance(a, b)
		n := max(len(a), len(b))
		if d <= max(n/3, min(2, 1+n/5)) && (least < 0 || d < least) {
			best, least = k, d
		}
	}
	switch {
	case best != "":
		return fmt.Sprintf("; did you mean %q?", best)
	case len(known) == 0:
		return ""
	}
	return "; known are " + strings.Join(known, ", ")
}

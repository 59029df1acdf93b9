package report

import (
	"fmt"
	"io"
	"strings"

	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
)

// helpWidth is how wide the pages of help are, for terminals of 80 columns.
const helpWidth = 78

// WriteFindingKinds writes the kinds of finding as a page of help: code and usual
// severity, what it means, what is usually done.
func WriteFindingKinds(w io.Writer) error {
	var b strings.Builder
	b.WriteString("The kinds of finding, by their codes\n")
	for _, k := range match.FindingKinds() {
		fmt.Fprintf(&b, "\n  %s  (%s)\n", k.Code, k.Severity)
		explain(&b, k.Text)
		if k.Remedy != "" {
			explain(&b, "Remedy: "+k.Remedy)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// WriteSettings writes dataset.Reference, the keys of phototie.toml, as a page of
// help.
func WriteSettings(w io.Writer) error {
	var b strings.Builder
	b.WriteString("Settings: the keys of phototie.toml\n\nLengths are metres where the key ends in _m. A key that is not known is an\nerror, which names the nearest known one.\n")
	table := ""
	for _, s := range dataset.Reference {
		if first, _, _ := strings.Cut(strings.Trim(s.Key, "[]"), "."); first != table {
			table = first
			b.WriteByte('\n')
		}
		fmt.Fprintf(&b, "  %s  (default: %s)\n", s.Key, s.Default)
		explain(&b, s.Help)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func explain(b *strings.Builder, text string) {
	const indent = "      "
	b.WriteString(indent + (&printer{width: helpWidth}).wrap(text, len(indent), len(indent)) + "\n")
}

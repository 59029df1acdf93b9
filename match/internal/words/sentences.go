package words

import (
	_ "embed"
	"strings"
	"sync"
	"text/template"
)

//go:embed sentences.txt
var sentencesText string

// sentences are the templates of messages by name, and of remedies by name and "!".
var sentences = sync.OnceValue(func() *template.Template {
	all := template.New("")
	for part := range strings.SplitSeq(sentencesText, "\n\n") {
		lines := strings.Split(strings.TrimSpace(strings.ReplaceAll(part, "\n\t\t", "")), "\n\t")
		for name := range strings.SplitSeq(lines[0], ", ") {
			for i, line := range lines[1:] {
				template.Must(all.New(name + "!"[:i]).Parse(line))
			}
		}
	}
	return all
})

// say fills in the sentences of a name; ok is false where there are none.
func say(name string, facts any) (message, remedy string, ok bool) {
	fill := func(name string) string {
		t := sentences().Lookup(name)
		if t == nil {
			return ""
		}
		ok = true
		var b strings.Builder
		if err := t.Execute(&b, facts); err != nil {
			panic(err) // TestSentences fills in each
		}
		return b.String()
	}
	message, remedy = fill(name), fill(name+"!")
	return message, remedy, ok
}

package main

import (
	"embed"
	"strings"

	"github.com/spf13/cobra"

	"example.com/phototie/match"
)

//go:embed topics/*.txt
var topicTexts embed.FS

// topic is a page of phototie help that no command has.
type topic struct {
	name, short string
	// text makes the page; nil where it is the file topics/NAME.txt.
	text func() string
}

var topics = []topic{
	{"job", "A job's folder: the points and links files", nil},
	{"settings", "The keys of phototie.toml", nil},
	{"judging", "How a photo is judged: budget, verdicts, ties, causes", nil},
	{"pictures", "What photos must be as pictures", nil},
	{"writing", "What a correction writes, format by format", nil},
	{"gate", "From zero to a gated dataset", nil},
	{"findings", "The codes of findings", findingCodes},
	{"json", "JSON documents and their schemas", nil},
	{"limits", "What phototie does not do, and what input may claim", nil},
}

// newTopics are the topics as cobra has them: commands that can't be run.
func newTopics() (out []*cobra.Command) {
	for _, t := range topics {
		text := t.text
		if text == nil {
			text = func() string {
				page, err := topicTexts.ReadFile("topics/" + t.name + ".txt")
				if err != nil {
					panic(err) // the file is in the program
				}
				return string(page)
			}
		}
		c := &cobra.Command{Use: t.name, Short: t.short}
		c.SetHelpFunc(func(c *cobra.Command, _ []string) {
			c.Println(strings.TrimRight(text(), "\n"))
		})
		out = append(out, c)
	}
	return out
}

// findingCodes lists the codes that findings have.
func findingCodes() string {
	var b strings.Builder
	b.WriteString("The codes of findings, as check, SARIF, JUnit and accepted findings have them\n\n")
	for _, c := range match.FindingCodes {
		b.WriteString("  " + string(c) + "\n")
	}
	return b.String()
}

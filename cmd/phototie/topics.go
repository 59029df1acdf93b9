package main

import (
	"embed"
	"strings"

	"github.com/spf13/cobra"

	"example.com/phototie/match/report"
	"example.com/phototie/match/suggest"
)

//go:embed topics/*.txt help/*.txt
var pages embed.FS

// page is a page of help.
func page(name string) string {
	text, err := pages.ReadFile(name + ".txt")
	if err != nil {
		panic(err) // the file is in the program
	}
	return string(text)
}

// command makes a command with its help, the file help/NAME.txt: the synopsis, what it
// does in a line, the text, the examples.
func command(name string, args cobra.PositionalArgs) *cobra.Command {
	use, rest, _ := strings.Cut(page("help/"+name), "\n")
	short, rest, _ := strings.Cut(rest, "\n\n")
	long, examples, _ := strings.Cut(rest, "\n\nExamples:\n")
	return &cobra.Command{Use: use, Short: short, Long: strings.Replace(long, "{placeholders}\n", placeholders(), 1), Example: strings.TrimRight(examples, "\n"), Args: args}
}

// topic is a page of phototie help that no command has.
type topic struct {
	name, short string
	// text makes the page; nil where it is the file topics/NAME.txt.
	text func() string
}

var topics = []topic{
	{"job", "A job's folder: the points and links files", nil},
	{"settings", "The keys of phototie.toml", settings},
	{"judging", "How a photo is judged: budget, verdicts, ties, causes", nil},
	{"pictures", "What photos must be as pictures", nil},
	{"writing", "What a correction writes, format by format", nil},
	{"gate", "From zero to a gated dataset", nil},
	{"findings", "The codes of findings", findings},
	{"json", "JSON documents and their schemas", nil},
	{"limits", "What phototie does not do, and what input may claim", nil},
}

// newTopics are the topics as cobra has them: commands that can't be run.
func newTopics() (out []*cobra.Command) {
	for _, t := range topics {
		text := t.text
		if text == nil {
			text = func() string { return page("topics/" + t.name) }
		}
		c := &cobra.Command{Use: t.name, Short: t.short}
		c.SetHelpFunc(func(c *cobra.Command, _ []string) {
			c.Println(strings.TrimRight(text(), "\n"))
		})
		out = append(out, c)
	}
	return out
}

// newHelp is the command help: the pages of commands and of topics.
func newHelp(root *cobra.Command) *cobra.Command {
	return &cobra.Command{
		Use:   "help [COMMAND | TOPIC]",
		Short: "Teach a command or a topic",
		ValidArgsFunction: func(*cobra.Command, []string, string) (names []string, _ cobra.ShellCompDirective) {
			for _, c := range root.Commands() {
				names = append(names, c.Name())
			}
			return names, cobra.ShellCompDirectiveNoFileComp
		},
		RunE: func(_ *cobra.Command, args []string) error {
			c, rest, err := root.Find(args)
			if err == nil && len(rest) == 0 {
				return c.Help()
			}
			return usagef("there is no command or topic %q%s", strings.Join(args, " "), nearestName(root, args[0]))
		},
	}
}

// nearestName names the command or topic nearest to a word that is none.
func nearestName(root *cobra.Command, word string) string {
	var names []string
	for _, c := range root.Commands() {
		names = append(names, c.Name())
	}
	return suggest.Nearest(word, names...)
}

// settings is the reference of the settings.
func settings() string {
	var b strings.Builder
	if err := report.WriteSettings(&b); err != nil {
		panic(err) // a Builder takes all
	}
	return b.String()
}

// findings lists the kinds of finding with what they mean.
func findings() string {
	var b strings.Builder
	if err := report.WriteFindingKinds(&b); err != nil {
		panic(err) // a Builder takes all
	}
	return b.String()
}

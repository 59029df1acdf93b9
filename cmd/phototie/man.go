package main

import (
	"bytes"
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// newMan is the command that writes the manual pages, for packages; no user needs it.
func newMan(root *cobra.Command) *cobra.Command {
	return &cobra.Command{
		Use:    "man DIR",
		Short:  "Write the manual pages into a folder",
		Long:   "man writes the manual pages, which say what --help does, into the folder DIR:\nin man1 one of phototie and one of each command, in man7 one of each topic.",
		Hidden: true,
		Args:   argsExactly(1, "the folder to write to"),
		RunE: func(_ *cobra.Command, args []string) error {
			for _, c := range append([]*cobra.Command{root}, root.Commands()...) {
				section, page := "1", manual(c)
				switch {
				case notPaged(c):
					continue
				case c != root && !c.Runnable():
					section, page = "7", manualTopic(c)
				}
				name := filepath.Join(args[0], "man"+section, manName(c)+"."+section)
				if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
					return err
				}
				if err := os.WriteFile(name, []byte(page), 0o644); err != nil {
					return err
				}
			}
			return nil
		},
	}
}

// notPaged are the commands that have no page.
func notPaged(c *cobra.Command) bool {
	return c.Hidden || c.Name() == "help" || c.Name() == "completion"
}

func manName(c *cobra.Command) string { return strings.ReplaceAll(c.CommandPath(), " ", "-") }

// roff has a text stand for itself: source of the escapes: groff_char(7), groff(7).
var roff = strings.NewReplacer(`\`, `\e`, "-", `\-`, "\n.", "\n\\&.", "\n'", "\n\\&'", "`", `\(ga`, "^", `\(ha`, "~", `\(ti`)

// manText escapes whole lines.
func manText(s string) string {
	return strings.TrimPrefix(roff.Replace("\n"+strings.Trim(s, "\n")), "\n")
}

func manHead(c *cobra.Command, section string) string {
	return fmt.Sprintf(".TH %s %s \"\" \"phototie %s\"\n.nh\n.ad l\n.SH NAME\n%s \\- %s\n",
		strings.ToUpper(manText(manName(c))), section, manText(version()), manText(manName(c)), manText(c.Short))
}

// manPlain is a text of lines as they stand, from the left edge of what is said.
func manPlain(s string) string { return ".nf\n.in 0\n" + manText(s) + "\n.in\n.fi\n" }

func manualTopic(c *cobra.Command) string {
	var b bytes.Buffer
	c.SetOut(&b)
	_ = c.Help() // a topic's only prints
	return manHead(c, "7") + ".SH DESCRIPTION\n" + manPlain(b.String())
}

// manual is a command's page: what its help says.
func manual(c *cobra.Command) string {
	var b strings.Builder
	b.WriteString(manHead(c, "1"))
	fmt.Fprintf(&b, ".SH SYNOPSIS\n%s\n.SH DESCRIPTION\n", manText(c.UseLine()))
	for i, p := range strings.Split(c.Long, "\n\n") {
		switch {
		case strings.HasPrefix(p, " ") || strings.Contains(p, "\n "): // a table or a list
			b.WriteString(".PP\n" + manPlain(p))
		default:
			if i > 0 {
				b.WriteString(".PP\n")
			}
			b.WriteString(manText(p) + "\n")
		}
	}
	manCommands(&b, c)
	manFlags(&b, c)
	if c.Example != "" {
		b.WriteString(".SH EXAMPLES\n" + manPlain(strings.ReplaceAll("\n"+c.Example, "\n  ", "\n")))
	}
	b.WriteString(".SH SEE ALSO\n")
	if c.HasParent() {
		b.WriteString(".BR phototie (1)\n")
		return b.String()
	}
	var topics []string
	for _, t := range c.Commands() {
		if !t.Runnable() && !notPaged(t) {
			topics = append(topics, ".BR "+manText(manName(t))+" (7)")
		}
	}
	b.WriteString(strings.Join(topics, ",\n") + "\n")
	return b.String()
}

// manCommands lists the commands below one.
func manCommands(b *strings.Builder, c *cobra.Command) {
	if !c.HasAvailableSubCommands() {
		return
	}
	b.WriteString(".SH COMMANDS\n")
	for _, s := range c.Commands() {
		if s.Runnable() && !notPaged(s) {
			fmt.Fprintf(b, ".TP\n.BR %s (1)\n%s\n", manText(manName(s)), manText(s.Short))
		}
	}
}

// manFlags lists a command's own flags.
func manFlags(b *strings.Builder, c *cobra.Command) {
	head := ".SH OPTIONS\n"
	c.NonInheritedFlags().VisitAll(func(f *pflag.Flag) {
		if f.Hidden {
			return
		}
		value, usage := pflag.UnquoteUsage(f)
		name := "--" + f.Name
		if f.Shorthand != "" {
			name = "-" + f.Shorthand + ", " + name
		}
		fmt.Fprintf(b, "%s.TP\n\\fB%s\\fR \\fI%s\\fR\n%s", head, manText(name), manText(value), manText(usage))
		head = ""
		if d := cmp.Or(f.DefValue, "[]"); d != "[]" && d != "false" && d != "0" && d != "0s" {
			fmt.Fprintf(b, " (%s if you don't say)", manText(d))
		}
		b.WriteString("\n")
	})
}

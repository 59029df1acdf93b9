package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/ledger"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/delivery"
	"example.com/phototie/match/report"
	"example.com/phototie/match/suggest"
)

// The exit codes, as README lists them.
const (
	exitOK       = 0
	exitFindings = 1
	exitInput    = 2
	exitInternal = 3
)

// errFindings ends a command whose work is done and printed, but which found
// something at or above --fail-on.
var errFindings = errors.New("findings")

// usageError is an error in the use of the command line or in what it was given.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

// usagef makes a usageError.
func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// env is what a command works with besides its flags.
type env struct {
	stdout, stderr io.Writer
}

// run runs the command line and returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) (code int) {
	defer func() {
		if r := recover(); r != nil {
			fmt.Fprintf(stderr, "phototie: internal error: %v\n%s", r, debug.Stack())
			code = exitInternal
		}
	}()
	if f, ok := stdout.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		stdout = screen{f}
	}
	root := newRoot(&env{stdout, stderr})
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	switch {
	case err == nil:
		return exitOK
	case errors.Is(err, errFindings):
		return exitFindings
	case errors.Is(err, syscall.EPIPE):
		return exitInput // nobody reads what there is to say
	}
	text := report.Plain(err.Error())
	if errors.Is(err, context.Canceled) { // by a signal: see main
		text = strings.ReplaceAll(text, context.Canceled.Error(), "interrupted")
	}
	// What follows an empty line is an example, to be copied as it is.
	said, example, _ := strings.Cut(text, "\n\n")
	fmt.Fprintln(stderr, "phototie: "+strings.ReplaceAll(said, "\n", "\nphototie: "))
	if example != "" {
		fmt.Fprintln(stderr, "\n"+example)
	}
	if stop := (*dataset.StopError)(nil); errors.As(err, &stop) {
		fmt.Fprintln(stderr, "phototie: --despite-findings writes all the same; phototie check says more")
		return exitFindings
	}
	switch {
	case errors.Is(err, delivery.ErrNotCopied):
		return exitFindings
	case isInput(err):
		return exitInput
	}
	return exitInternal
}

// isInput reports whether err comes of what the user gave, so that the user can
// put it right.
func isInput(err error) bool {
	var (
		usage   usageError
		problem *dataset.Problem
		path    *fs.PathError
		link    *os.LinkError
		grid    *crs.DefinitionError
	)
	return errors.As(err, &usage) || errors.As(err, &problem) || errors.As(err, &path) || errors.As(err, &link) || errors.As(err, &grid) ||
		geotag.AboutImage(err) || ledger.AboutInput(err) || errors.Is(err, context.Canceled)
}

func newRoot(e *env) *cobra.Command {
	root := command("phototie", func(cmd *cobra.Command, args []string) error {
		if len(args) > 0 {
			return usagef("there is no command %q%s; see phototie --help", args[0], nearestName(cmd, args[0]))
		}
		return nil
	})
	root.SilenceErrors, root.SilenceUsage, root.Version = true, true, version()
	root.RunE = func(cmd *cobra.Command, args []string) error { return cmd.Help() }
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return usagef("%w; see %s --help", err, cmd.CommandPath())
	})
	cobra.EnableCommandSorting = false // their order is that of the work
	root.AddGroup(&cobra.Group{ID: "way", Title: "From the crew's folder to the delivery:"}, &cobra.Group{ID: "beside", Title: "Beside it:"})
	add := func(group string, cmds ...*cobra.Command) {
		for _, c := range cmds {
			c.GroupID = group
		}
		root.AddCommand(cmds...)
	}
	add("way", newInit(e), newCheck(e), newDecide(e), newCorrect(e), newPack(e))
	add("beside", newReport(e), newRestore(e), newVerify(e), newCompare(e), newCRS(e), newFrames(e), newDemo(e), newServe(e))
	root.AddCommand(newTopics()...)
	root.AddCommand(newMan(root))
	root.SetHelpCommand(newHelp(root))
	return root
}

// release is the version that make dist packs.
var release string

// version is that of the release, or else the module version that the program was
// built from.
func version() string {
	if release != "" {
		return release
	}
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" {
		return "(unknown)"
	}
	return info.Main.Version
}

// argsExactly is cobra.ExactArgs with an error that teaches.
func argsExactly(n int, what string) cobra.PositionalArgs { return argsBetween(n, n, what) }

// argsBetween is cobra.RangeArgs with an error that teaches.
func argsBetween(least, most int, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) < least || len(args) > most {
			return usagef("%s needs %s; see %s --help", cmd.CommandPath(), what, cmd.CommandPath())
		}
		return nil
	}
}

// choice is a flag that takes one of a few words.
type choice struct {
	value   string
	allowed []string
}

func (c *choice) String() string { return c.value }
func (c *choice) Type() string   { return strings.Join(c.allowed, "|") }
func (c *choice) Set(s string) error {
	if !slices.Contains(c.allowed, s) {
		return fmt.Errorf("%q is not known%s", s, suggest.Nearest(s, c.allowed...))
	}
	c.value = s
	return nil
}

// addChoice gives a command a choice flag, with completion.
func addChoice(cmd *cobra.Command, name, value, usage string, allowed ...string) *choice {
	c := &choice{value: value, allowed: allowed}
	cmd.Flags().Var(c, name, usage)
	if err := cmd.RegisterFlagCompletionFunc(name, cobra.FixedCompletions(allowed, cobra.ShellCompDirectiveNoFileComp)); err != nil {
		panic(err) // the flag was added a line above
	}
	return c
}

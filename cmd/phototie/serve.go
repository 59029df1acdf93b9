package main

import (
	"os"

	"github.com/spf13/cobra"

	"example.com/phototie/grid/crs"
	"example.com/phototie/match/service"
)

func newServe(e *env) *cobra.Command {
	var (
		stdio bool
		opt   service.Options
		most  int
	)
	cmd := command("serve", argsExactly(0, "no argument"))
	f := cmd.Flags()
	f.BoolVar(&stdio, "stdio", false, "read requests from standard input, write responses to standard output")
	f.IntVar(&opt.AtOnce, "at-once", 0, "how many requests are worked on at a time (one a processor else)")
	f.IntVar(&most, "max-mib", 64, "how long a request may be, in MiB")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		switch {
		case !stdio:
			return usagef("serve needs --stdio: requests are lines of standard input")
		case opt.AtOnce < 0 || most < 1 || most > 2047:
			return usagef("--at-once is 0 or more, --max-mib from 1 to 2047")
		}
		opt.MaxRequest, opt.Fitting = most<<20, crs.Fitting
		return service.New(crs.OpenGrid, opt).Serve(cmd.Context(), os.Stdin, e.stdout)
	}
	return cmd
}

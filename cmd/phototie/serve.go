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
	cmd := &cobra.Command{
		Use:   "serve --stdio [flags]",
		Short: "Answer requests of another program, a JSON object a line",
		Long: `serve stays and answers requests on standard input, a JSON object a line, with
a JSON object a line on standard output, in the order of the requests, while it
works on several. Each system is opened once. It ends when its input does.

A photo comes by path or by its bytes (base64), and so the corrected one goes:

  {"id":1,"do":"compare","crs":"EPSG:2157","e":690242.043,"n":604873.007,"path":"a.jpg"}
  {"id":2,"do":"correct","crs":"EPSG:2157","e":690242.043,"n":604873.007,"path":"a.jpg","into":"b.jpg"}
  {"id":3,"do":"check","dataset":"job"}
  {"id":4,"do":"cancel","of":3}

An error is in the response to its request; the exit code is about the streams.
"phototie help json" has the schema, serve-1.json.`,
		Example: `  echo '{"do":"check","dataset":"job"}' | phototie serve --stdio`,
		Args:    argsExactly(0, "no argument"),
	}
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

// Command serve compares and corrects photos over HTTP, many a request. Requests and
// answers are those of package service, as JSON:
//
//	go run ./examples/serve -crs EPSG:2157
//	curl -F 'requests=[{"do":"compare","e":690242.043,"n":604873.007,"path":"a.jpg"},
//	  {"do":"correct","e":690262.120,"n":604878.790,"path":"b.jpg"}]' \
//	  -F photos=@a.jpg -F photos=@b.jpg localhost:8080/requests
//
// A request's path is the file name of one of the form's photos; a program may send the
// array by itself, as application/json, with each photo's bytes in base64. The answer is
// an array with a response each, in order. GET /openapi.json describes it all (OpenAPI
// 3.1), and GET /schema/serve-1.json the requests and responses.
//
// Uploads wait in temporary files that are gone with the request, so that a client who
// sends or reads slowly takes no place from others; one who sends at less than the least
// rate is cut off. A place, which is memory, is taken once a request is here in full, and
// given back before its answer is sent. A client's photos are worked on one after the
// other.
//
// It has no accounts and no encryption: put it behind what has.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/signal"
	"slices"
	"syscall"
	"time"

	"example.com/phototie/grid"
	"example.com/phototie/grid/crs"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx, os.Args[1:], os.Stderr); err != nil && !errors.Is(err, flag.ErrHelp) {
		fmt.Fprintln(os.Stderr, "serve:", err)
		os.Exit(2)
	}
}

// run serves until the context ends, and then lets requests under way finish.
func run(ctx context.Context, args []string, messages io.Writer) error {
	flags := flag.NewFlagSet("serve", flag.ContinueOnError)
	flags.SetOutput(messages)
	addr := flags.String("addr", "localhost:8080", "where to listen")
	var systems []string
	flags.Func("crs", "a projected system that requests may name, an EPSG code, WKT or PROJ string; the first is that of requests that name none; repeat it for more (EPSG:2157 if there is none)", func(s string) error {
		systems = append(systems, s)
		return nil
	})
	lim := defaultLimits()
	flags.Int64Var(&lim.body, "max-bytes", lim.body, "the largest request, all its photos together")
	flags.Int64Var(&lim.open, "most", lim.open, "how many requests there are at a time, those that are still being sent included")
	flags.Int64Var(&lim.places, "at-once", lim.places, "how many of them are in memory and worked on at a time")
	flags.DurationVar(&lim.work, "timeout", lim.work, "how long a request may wait and be worked on once it is here in full")
	flags.Int64Var(&lim.rate, "min-rate", lim.rate, "the least bytes a second of a client, after some seconds of grace")
	if err := flags.Parse(args); err != nil {
		return err
	}
	if min(lim.body, lim.open, lim.places, lim.rate, int64(lim.work)) <= 0 {
		return errors.New("-max-bytes, -most, -at-once, -timeout and -min-rate have to be above 0")
	}
	if len(systems) == 0 {
		systems = []string{"EPSG:2157"}
	}
	// Strangers open no other systems: a definition may name files.
	open := grid.Kept(func(def string, opt grid.OpenOptions) (grid.Projection, error) {
		if !slices.Contains(systems, def) {
			return nil, fmt.Errorf("%q is not among the systems here: %q", def, systems)
		}
		return crs.OpenGrid(def, opt)
	})
	for _, def := range systems {
		if _, err := open(def, grid.OpenOptions{}); err != nil {
			return err
		}
	}
	log := slog.New(slog.NewTextHandler(messages, nil))
	srv := newServer(newHandler(open, systems[0], lim, log), log)
	ln, err := net.Listen("tcp", *addr)
	if err != nil {
		return err
	}
	log.Info("listening", "address", ln.Addr().String(), "systems", systems)
	done := make(chan error, 1)
	go func() { done <- srv.Serve(ln) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), lim.work)
	defer cancel()
	return srv.Shutdown(last)
}

// newServer is a server that gives no client more time than it needs. The handler sets
// deadlines of its own for requests that are long.
func newServer(h http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       10 * time.Second,
		WriteTimeout:      time.Minute,
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
}

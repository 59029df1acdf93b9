// Command serve compares and corrects photos over HTTP, from memory: no photo and
// no result is written to a file. Its grid is chosen when it starts; requests bring
// a photo and a surveyed position on that grid.
//
//	go run ./examples/serve -crs EPSG:2157
//	curl -F e=690242.043 -F n=604873.007 -F photo=@photo.jpg localhost:8080/compare
//	curl -F e=690242.043 -F n=604873.007 -F photo=@photo.jpg -OJ localhost:8080/correct
//
// compare answers with the discrepancy, as "phototie compare --format json" prints
// it. correct answers with the photo that has the surveyed position in it, or, where
// the verdict does not permit that, with the reason; the field only names further
// verdicts. Errors are problem details (RFC 9457).
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
	"syscall"
	"time"

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
	definition := flags.String("crs", "EPSG:2157", "the projected system of the positions: EPSG code, WKT or PROJ string")
	limits := defaultLimits()
	flags.Int64Var(&limits.body, "max-bytes", limits.body, "the largest upload")
	flags.IntVar(&limits.atOnce, "at-once", limits.atOnce, "how many photos are held in memory at a time")
	flags.DurationVar(&limits.request, "timeout", limits.request, "how long a request may take, its upload included")
	if err := flags.Parse(args); err != nil {
		return err
	}
	if limits.body < 1 || limits.atOnce < 1 || limits.request <= 0 {
		return errors.New("-max-bytes, -at-once and -timeout have to be above 0")
	}
	grid, err := crs.Open(*definition)
	if err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(messages, nil))
	srv := newServer(newService(grid, limits, log), limits, log)
	ln, err := net.Listen("tcp", *addr)
	if err != nil {
		return err
	}
	log.Info("listening", "address", ln.Addr().String(), "grid", grid.Grid().Name)
	done := make(chan error, 1)
	go func() { done <- srv.Serve(ln) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), limits.request)
	defer cancel()
	return srv.Shutdown(last)
}

// newServer is a server that gives no client more time than it needs. The service
// sets closer limits for each request.
func newServer(h http.Handler, lim limits, log *slog.Logger) *http.Server {
	whole := lim.wait + lim.request + 5*time.Second
	return &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       whole,
		WriteTimeout:      whole,
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
}

// Command objectstore checks a dataset where it lies, in an object store, and
// writes its corrected photos into another bucket or prefix. Of the photos it
// fetches the headers only.
//
//	cd examples/objectstore
//	go run . file:///path/to/job
//	go run . -into "s3://delivery?region=eu-west-1&prefix=velland/" "s3://survey?region=eu-west-1&prefix=velland/"
//
// A bucket is a URL as gocloud.dev/blob has it: s3://, file:// and mem:// here, and
// gs:// or azblob:// with one import more. A prefix ends with a slash.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"

	"gocloud.dev/blob"
	_ "gocloud.dev/blob/fileblob"
	_ "gocloud.dev/blob/memblob"
	_ "gocloud.dev/blob/s3blob"
	"golang.org/x/sync/errgroup"

	"example.com/phototie/examples/objectstore/bucketfs"
	"example.com/phototie/geotag"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, os.Args[1:], os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "objectstore:", err)
		os.Exit(2)
	}
}

func run(ctx context.Context, args []string, out io.Writer) error {
	flags := flag.NewFlagSet("objectstore", flag.ContinueOnError)
	into := flags.String("into", "", "bucket `URL` that gets the corrected dataset; without it nothing is written")
	if err := flags.Parse(args); err != nil {
		return err
	}
	if flags.NArg() != 1 {
		return errors.New("give the URL of the bucket that holds the dataset")
	}
	if *into == flags.Arg(0) {
		return errors.New("the corrected dataset has to go into another bucket or prefix")
	}
	src, err := blob.OpenBucket(ctx, flags.Arg(0))
	if err != nil {
		return err
	}
	defer src.Close()
	if *into == "" {
		return checkAndCorrect(ctx, src, nil, out)
	}
	dst, err := blob.OpenBucket(ctx, *into)
	if err != nil {
		return err
	}
	defer dst.Close()
	return checkAndCorrect(ctx, src, dst, out)
}

// checkAndCorrect checks the dataset in src, tells about it, and corrects it into
// dst where that is not nil.
func checkAndCorrect(ctx context.Context, src, dst *blob.Bucket, out io.Writer) error {
	fsys := bucketfs.New(ctx, src)
	job, err := dataset.OpenFS(fsys, nil, crs.OpenGrid)
	if err != nil {
		return err
	}
	survey, res, err := check(ctx, job)
	if err != nil {
		return err
	}
	for _, v := range match.Verdicts {
		fmt.Fprintf(out, "%d %s\n", res.Counts[v], v)
	}
	fetched, requests := fsys.Fetched()
	fmt.Fprintf(out, "%d bytes fetched in %d requests\n", fetched, requests)
	if dst == nil {
		return nil
	}
	var policy match.Policy // photos within the budget get the point's position
	corrections, err := match.Corrections(ctx, job.Projection(), res, survey.Options, policy)
	if err != nil {
		return err
	}
	beside, err := sidecars(fsys, job.Settings().Photos.Folder)
	if err != nil {
		return err
	}
	sum, err := correct(ctx, fsys, append(job.Files(), beside...), corrections, policy.Meaning, dst)
	for _, r := range sum.refusals() {
		fmt.Fprintln(out, r)
	}
	fmt.Fprintf(out, "%d corrected, %d copied as they are\n", sum.Corrected, sum.Copied)
	return err
}

// check is dataset.Check with as many photos on their way as an object store likes,
// where that one reads as many at a time as there are processors.
func check(ctx context.Context, job *dataset.Dataset) (*dataset.Survey, *match.Result, error) {
	survey, err := job.Survey(ctx)
	if err != nil {
		return nil, nil, err
	}
	photos := make([]match.Photo, len(survey.Photos))
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(atOnce)
	for i, p := range survey.Photos {
		g.Go(func() error {
			photos[i] = job.ReadPhoto(p.Name)
			photos[i].Original = p.Original
			// A request that failed says nothing about the photo.
			if err := photos[i].Err; err != nil && !geotag.AboutImage(err) {
				return fmt.Errorf("%s: %w", p.Name, err)
			}
			return gctx.Err()
		})
	}
	if err := g.Wait(); err != nil {
		return nil, nil, err
	}
	res, err := match.Check(ctx, job.Projection(), survey.Points, survey.Links, match.All(photos), survey.Options)
	return survey, res, err
}

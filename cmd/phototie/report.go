package main

import (
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"example.com/phototie/geotag/ledger"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/record"
	"example.com/phototie/match/report"
)

// manyPhotos is how many photos make one file slow to open on a phone.
const manyPhotos = 1500

func newReport(e *env) *cobra.Command {
	var (
		out, split, title, date, corrected string
		perPage                            int
		linkPhotos, causes                 bool
	)
	cmd := &cobra.Command{
		Use:   "report (--out FILE | --split DIR) [flags] DIR",
		Short: "Write the printable photo record of a dataset",
		Long: `report checks the dataset in the folder DIR and writes the photo record: the
summary and verdicts, the causes of what is out, a plan, plots of the
discrepancies, and a sheet for each point with its photos. The record is HTML that needs nothing else and no network;
open it in a browser on a desk or a phone, search it, print it.

--out writes one file. --split writes a folder with index.html and pages of
sheets, for jobs of more than about 1500 photos.

The small pictures are drawn from the photos themselves. --pictures embedded takes
the thumbnails that cameras put into their photos: faster, but smaller, and they
may show something else where the photo was edited later.

A record of corrected photos would find every tag on its point. So report on the
originals, and name the folder of the corrected copies with --corrected: each
photo's correction is then on its sheet, from the ledger there. Where DIR itself
was corrected in place, its own ledger is used.

The same dataset gives the same bytes, unless --date prints a date.`,
		Example: `  phototie report --out record.html job
  phototie report --out record.html --corrected job-corrected --date 2025-06-02 job
  phototie report --split record job             a folder, for a large job
  phototie report --out - --pictures none job | gzip > record.html.gz`,
		Args: argsExactly(1, "the dataset's folder"),
	}
	f := cmd.Flags()
	f.StringVar(&out, "out", "", "write one file; - is the standard output")
	f.StringVar(&split, "split", "", "write a folder of pages, which must be new, empty or an earlier record")
	f.StringVar(&title, "title", "", "the job's name (default the dataset's folder)")
	f.StringVar(&date, "date", "", "print this as the record's date, in any words")
	f.StringVar(&corrected, "corrected", "", "the folder of the corrected copies, for the corrections in its ledger")
	f.IntVar(&perPage, "per-page", 250, "photos on a page of sheets, with --split")
	f.BoolVar(&linkPhotos, "link-photos", false, "make the pictures links to the photos, by where they lie from the record")
	f.BoolVar(&causes, "causes", true, "look for causes of what is out")
	pixels := addPixels(cmd)
	pictures := addChoice(cmd, "pictures", "drawn", "the small pictures", "drawn", "embedded", "none")
	cmd.MarkFlagsMutuallyExclusive("out", "split")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		switch {
		case out == "" && split == "":
			return usagef("say where the record goes: --out FILE for one file, --split DIR for a folder of pages")
		case perPage < 1:
			return usagef("--per-page has to be 1 or more")
		case linkPhotos && out == "-":
			return usagef("--link-photos needs a place to lead from; --out - has none")
		}
		ctx := cmd.Context()
		d, proj, err := openDataset(args[0])
		if err != nil {
			return err
		}
		defer d.Close()
		d.Pixels = pixelPolicies[pixels.value]
		in := record.Input{Title: title, Date: date, Tool: "phototie " + version(), PhotosPerPage: perPage}
		in.Geographic = proj.Geographic
		if in.Title == "" {
			in.Title = jobName(args[0])
		}
		if in.Changes, err = ledgerChanges(args[0], corrected); err != nil {
			return err
		}
		if pictures.value != "none" {
			in.Thumbnail = record.Thumbnails(d.FS(), record.ThumbnailOptions{Embedded: pictures.value == "embedded"})
		}
		if linkPhotos {
			at := split
			if at == "" {
				at = filepath.Dir(out)
			}
			if in.PhotoLink, err = photoLinks(at, args[0]); err != nil {
				return err
			}
		}
		tell, done := progress(e.stderr, "reading photos")
		in.Result, err = d.Check(ctx, proj, tell)
		done()
		if err != nil {
			return err
		}
		reading := d.Reading()
		in.Findings = reading.Findings()
		for _, fact := range append(report.ReadingFacts(reading), report.PictureFacts(in.Result)...) {
			in.Facts = append(in.Facts, record.Fact{Name: fact.Name, Text: fact.Text})
		}
		if causes {
			ex, err := d.Explain(ctx, proj, in.Result, opener(d.Settings))
			if err != nil {
				return err
			}
			in.Causes = record.Explained(ex)
		}
		var told dataset.Progress
		told, done = progress(e.stderr, "writing sheets")
		in.Progress = told
		defer done()
		switch {
		case out == "-":
			return record.Write(ctx, e.stdout, in)
		case split != "":
			if err := os.MkdirAll(split, 0o755); err != nil {
				return err
			}
			root, err := os.OpenRoot(split)
			if err != nil {
				return err
			}
			defer root.Close()
			if err := record.WriteDir(ctx, root, in); err != nil {
				return usagef("%s: %w", split, err)
			}
			done()
			fmt.Fprintf(e.stdout, "%s: the record of %d photos; open %s\n", split, len(in.Result.Photos), filepath.Join(split, record.IndexFile))
		default:
			if err := writeWhole(out, func(w io.Writer) error { return record.Write(ctx, w, in) }); err != nil {
				return err
			}
			done()
			fmt.Fprintf(e.stdout, "%s: the record of %d photos\n", out, len(in.Result.Photos))
			if len(in.Result.Photos) > manyPhotos {
				fmt.Fprintln(e.stderr, "phototie: one file of so many photos opens slowly on a phone; --split DIR writes pages")
			}
		}
		return nil
	}
	return cmd
}

// ledgerChanges reads the corrections on record in the folder of the corrected
// copies, or else in the dataset's own.
func ledgerChanges(dir, corrected string) ([]record.Change, error) {
	at := dir
	if corrected != "" {
		at = corrected
	}
	root, err := os.OpenRoot(at)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	changes, err := record.LedgerChanges(root)
	if err != nil {
		return nil, usagef("%s: %w", at, err)
	}
	if corrected != "" && len(changes) == 0 {
		return nil, usagef("--corrected: no correction is on record in %s (%s); name the folder that correct --into wrote", corrected, ledger.FileName)
	}
	return changes, nil
}

// photoLinks returns the addresses of the photos of a dataset relative to the
// folder of the record.
func photoLinks(from, dir string) (func(string) string, error) {
	a, err := filepath.Abs(from)
	if err != nil {
		return nil, err
	}
	b, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	rel, err := filepath.Rel(a, b)
	if err != nil {
		return nil, usagef("--link-photos: %w", err)
	}
	base := filepath.ToSlash(rel)
	return func(photo string) string {
		parts := strings.Split(base+"/"+photo, "/")
		for i := range parts {
			parts[i] = url.PathEscape(parts[i])
		}
		return "./" + strings.Join(parts, "/")
	}, nil
}

// writeWhole writes a file that is there as a whole or not at all. What is there
// already and is no ordinary file, a device or a pipe, is written to as it is.
func writeWhole(name string, write func(io.Writer) error) (err error) {
	if info, err := os.Stat(name); err == nil && !info.Mode().IsRegular() {
		f, err := os.OpenFile(name, os.O_WRONLY, 0)
		if err != nil {
			return err
		}
		return errors.Join(write(f), f.Close())
	}
	if at, err := filepath.EvalSymlinks(name); err == nil {
		name = at // the file that a link leads to is replaced, not the link
	}
	f, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	if err := errors.Join(write(f), f.Chmod(0o644), f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), name)
}

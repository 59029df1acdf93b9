package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"example.com/phototie/geotag/ledger"
	"example.com/phototie/match/cause"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/delivery"
	"example.com/phototie/match/record"
	"example.com/phototie/match/report"
)

// photoRecord is the command report with its flags.
type photoRecord struct {
	*env
	out, split, title, date, corrected string
	perPage                            int
	linkPhotos, causes                 bool
	pixels, pictures, layout           *choice
	output                             output
}

func newReport(e *env) *cobra.Command {
	r := &photoRecord{env: e}
	cmd := command("report", argsExactly(1, "the dataset's folder"))
	f := cmd.Flags()
	f.StringVar(&r.out, "out", "", "write one file; - is the standard output, and a name that ends in .odt makes an OpenDocument text")
	f.StringVar(&r.split, "split", "", "write a folder of pages, which must be new, empty or an earlier record")
	f.StringVar(&r.title, "title", "", "the job's name (default that of the settings, else the dataset's folder)")
	f.StringVar(&r.date, "date", "", "print this as the record's date, in any words")
	f.StringVar(&r.corrected, "corrected", "", "the folder of the corrected copies, for the corrections in its ledger")
	f.IntVar(&r.perPage, "per-page", 250, "photos on a page of sheets, with --split")
	f.BoolVar(&r.linkPhotos, "link-photos", false, "make the pictures links to the photos, by where they lie from the record")
	f.BoolVar(&r.causes, "causes", true, "look for causes of what is out")
	r.pixels = addPixels(cmd)
	r.pictures = addChoice(cmd, "pictures", "drawn", "the small pictures", "drawn", "embedded", "none")
	r.layout = addChoice(cmd, "layout", string(record.LayoutSheets), "a sheet for each point, or twelve photos on a page", string(record.LayoutSheets), string(record.LayoutContact))
	r.output.flags(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error { return r.run(cmd.Context(), args[0]) }
	return cmd
}

func (r *photoRecord) run(ctx context.Context, dir string) error {
	switch {
	case r.out != "" && r.split != "":
		return usagef("--out writes one file and --split a folder of pages; leave one of the two out")
	case r.out == "" && r.split == "":
		return usagef("say where the record goes: --out FILE for one file, --split DIR for a folder of pages")
	case r.perPage < 1:
		return usagef("--per-page has to be 1 or more")
	case r.linkPhotos && r.out == "-":
		return usagef("--link-photos needs a place to lead from; --out - has none")
	}
	d, err := r.open(ctx, dir)
	if err != nil {
		return err
	}
	defer d.Close()
	switch {
	case r.split != "":
		err = r.output.guard(d, r.split, nil)
	case r.out != "-":
		err = r.output.guard(d, r.out, earlierRecord)
	}
	if err == nil && otherFormat(r.out) {
		err = usagef("--out %s: the record is HTML (.html) or an OpenDocument text (.odt); phototie check --out writes what programs read", r.out)
	}
	if err != nil {
		return err
	}
	changes, err := ledgerChanges(d.Dir(), r.corrected)
	if err != nil {
		return err
	}
	gallery, err := delivery.NewGallery(ctx, d, delivery.Pictures(r.pictures.value))
	if err != nil {
		return err
	}
	tell, done := progress(r.stderr, "reading photos")
	opt := dataset.CheckOptions{Pixels: pixelPolicies[r.pixels.value], Progress: tell}
	if gallery != nil {
		defer gallery.Close()
		opt.See = gallery.See
	}
	if !r.causes {
		opt.Causes = []cause.Cause{}
	}
	job, err := d.Check(ctx, opt)
	done()
	if err != nil {
		return err
	}
	title := cmp.Or(r.title, d.Settings().Record.Title, jobName(dir))
	in, err := delivery.Record(ctx, job, title, "phototie "+version(), gallery, nil)
	if err != nil {
		return err
	}
	in.Layout = record.Layout(r.layout.value)
	in.Date, in.PhotosPerPage, in.Changes = r.date, r.perPage, changes
	if r.linkPhotos {
		at := r.split
		if at == "" {
			at = filepath.Dir(r.out)
		}
		if d.Archive() != "" {
			return usagef("--link-photos: there are no photos to lead to while they are in %s", dir)
		}
		if in.PhotoLink, err = photoLinks(at, dir); err != nil {
			return err
		}
	}
	in.Progress, done = progress(r.stderr, "writing sheets")
	defer done()
	return r.write(ctx, in, done)
}

// write writes the record to where it goes. done takes the progress away.
func (r *photoRecord) write(ctx context.Context, in record.Input, done func()) error {
	switch {
	case r.out == "-":
		return record.Write(ctx, r.stdout, in)
	case r.split != "":
		if err := os.MkdirAll(r.split, 0o755); err != nil {
			return err
		}
		root, err := os.OpenRoot(r.split)
		if err != nil {
			return err
		}
		defer root.Close()
		if err := record.WriteDir(ctx, root, in); err != nil {
			return usagef("%s: %w", r.split, err)
		}
		done()
		fmt.Fprintf(r.stdout, "%s: the record of %s; open %s\n", r.split, photoCount(len(in.Result.Photos)), filepath.Join(r.split, record.IndexFile))
		return nil
	}
	form := record.Write
	if strings.EqualFold(filepath.Ext(r.out), ".odt") {
		form = record.WriteODT
	}
	if err := writeWhole(r.out, func(w io.Writer) error { return form(ctx, w, in) }); err != nil {
		return err
	}
	done()
	fmt.Fprintf(r.stdout, "%s: the record of %s\n", r.out, photoCount(len(in.Result.Photos)))
	if len(in.Result.Photos) > delivery.MaxOnFile {
		fmt.Fprintln(r.stderr, "phototie: one file of so many photos opens slowly on a phone; --split DIR writes pages")
	}
	return nil
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

// photoCount is a number of photos.
func photoCount(n int) string {
	if n == 1 {
		return "1 photo"
	}
	return fmt.Sprintf("%d photos", n)
}

// otherFormat reports whether a name ends as those of files do that hold something else
// than a record.
func otherFormat(name string) bool {
	_, err := report.FormatOf(name)
	return err == nil || slices.Contains([]string{".pdf", ".doc", ".docx", ".kmz", ".zip"}, strings.ToLower(filepath.Ext(name)))
}

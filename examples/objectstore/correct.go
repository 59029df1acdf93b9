package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"gocloud.dev/blob"
	"golang.org/x/sync/errgroup"

	"example.com/phototie/examples/objectstore/bucketfs"
	"example.com/phototie/geotag"
	"example.com/phototie/geotag/ledger"
	"example.com/phototie/match"
)

// atOnce is how many objects are read or written at a time. Object stores answer
// late and many at once.
const atOnce = 32

// summary is what became of the photos.
type summary struct {
	Corrected, Copied int
	// Refused says of photos that can't be corrected why not. They are copied.
	Refused map[string]string
}

// correct writes a corrected dataset into another bucket: the photos, those that
// stay as they are among them, and the files that make it a dataset. The originals
// are read and never written. A ledger is written last, in the form of package
// ledger: in a copy of the new dataset on disk, "phototie restore" takes its
// photos back to the bytes of the originals.
func correct(ctx context.Context, src *bucketfs.FS, files []string, corrections []match.Correction, meaning geotag.Meaning, into *blob.Bucket) (summary, error) {
	sum := summary{Refused: map[string]string{}}
	var mu sync.Mutex
	records := make([]*ledger.Record, len(corrections))
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(atOnce)
	for _, name := range files {
		g.Go(func() error {
			_, err := write(gctx, src, into, name, nil)
			return err
		})
	}
	for i, c := range corrections {
		g.Go(func() error {
			var patch *geotag.Patch
			if c.Edit != nil {
				p, err := plan(src, c.Photo, *c.Edit)
				switch {
				case err == nil && !p.Empty():
					patch = p
				case err == nil:
				case geotag.AboutImage(err):
					mu.Lock()
					sum.Refused[c.Photo] = err.Error()
					mu.Unlock()
				default:
					return fmt.Errorf("%s: %w", c.Photo, err)
				}
			}
			rec, err := write(gctx, src, into, c.Photo, patch)
			if err != nil {
				return err
			}
			rec.Reason = map[string]string{"point": c.Point, "verdict": string(c.Verdict)}
			mu.Lock()
			defer mu.Unlock()
			if patch == nil {
				sum.Copied++
			} else {
				sum.Corrected++
				rec.Meaning = meaning.String()
			}
			records[i] = rec
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return sum, err
	}
	var lines bytes.Buffer
	for _, r := range records {
		line, err := json.Marshal(r)
		if err != nil {
			return sum, err
		}
		if _, err := ledger.ParseRecord(line); err != nil {
			return sum, err
		}
		lines.Write(line)
		lines.WriteByte('\n')
	}
	return sum, into.WriteAll(ctx, ledger.FileName, lines.Bytes(), nil)
}

// sidecars lists the side-car files below the photo folder. They go along as they
// are: this example corrects what stands in the photos themselves.
func sidecars(fsys fs.FS, folder string) ([]string, error) {
	var out []string
	err := fs.WalkDir(fsys, folder, func(name string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() && strings.EqualFold(path.Ext(name), geotag.SidecarExtension) {
			out = append(out, name)
		}
		return err
	})
	return out, err
}

// plan works out the patch of a photo from the ranges that it takes.
func plan(src *bucketfs.FS, name string, e geotag.Edit) (*geotag.Patch, error) {
	f, err := src.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	r, ok := f.(io.ReaderAt)
	if !ok {
		return nil, fs.ErrInvalid
	}
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	return geotag.Plan(r, info.Size(), e)
}

var errOther = errors.New("there is another object of this name, with other bytes; give an empty prefix")

// write writes one object into another bucket, with a patch where there is one. An
// object appears there whole or not at all. One that is there already must have
// the same bytes, so that a run that was cut short can be done again and nothing
// of somebody else's is overwritten.
func write(ctx context.Context, src *bucketfs.FS, into *blob.Bucket, name string, patch *geotag.Patch) (*ledger.Record, error) {
	there, err := into.Exists(ctx, name)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	// Closing a writer makes the object; a cancelled context keeps it from that.
	wctx, cancel := context.WithCancel(ctx)
	defer cancel()
	before, after := sha256.New(), sha256.New()
	var sizes [2]int64
	run := func(w io.Writer) error {
		f, err := src.Open(name)
		if err != nil {
			return err
		}
		defer f.Close()
		in, out := &counter{h: before, n: &sizes[0]}, &counter{h: after, n: &sizes[1]}
		r := io.TeeReader(f, in)
		w = io.MultiWriter(out, w)
		if patch == nil {
			_, err = io.Copy(w, r)
			return err
		}
		return patch.Apply(w, r)
	}
	if there {
		err = run(io.Discard)
	} else {
		var w *blob.Writer
		if w, err = into.NewWriter(wctx, name, &blob.WriterOptions{ContentType: contentType(name)}); err == nil {
			if err = run(w); err != nil {
				cancel()
				w.Close() // its error is that of the cancelled context
			} else {
				err = w.Close()
			}
		}
	}
	if err == nil && there {
		err = same(ctx, into, name, after.Sum(nil))
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	reverse := &geotag.Patch{SizeBefore: sizes[1]}
	if patch != nil {
		reverse = patch.Reverse()
	}
	return &ledger.Record{
		Version: ledger.Version, Time: time.Now().UTC(), Tool: "phototie objectstore example", Action: ledger.ActionCopy, Photo: name,
		Before: hex.EncodeToString(before.Sum(nil)), After: hex.EncodeToString(after.Sum(nil)),
		SizeBefore: sizes[0], SizeAfter: sizes[1], Reverse: reverse,
	}, nil
}

// same compares what is there with what would be written.
func same(ctx context.Context, b *blob.Bucket, name string, sum []byte) error {
	h := sha256.New()
	if err := b.Download(ctx, name, h, nil); err != nil {
		return err
	}
	if !bytes.Equal(h.Sum(nil), sum) {
		return errOther
	}
	return nil
}

// counter hashes and counts.
type counter struct {
	h hash.Hash
	n *int64
}

func (c *counter) Write(b []byte) (int, error) {
	*c.n += int64(len(b))
	return c.h.Write(b)
}

// contentType spares the store from sniffing what it gets.
func contentType(name string) string {
	switch strings.ToLower(path.Ext(name)) {
	case ".jpg", ".jpeg":
		return "image/jpeg"
	}
	return "application/octet-stream"
}

// refusals words what was refused, by name.
func (s summary) refusals() []string {
	var out []string
	for _, name := range slices.Sorted(maps.Keys(s.Refused)) {
		out = append(out, name+": "+s.Refused[name])
	}
	return out
}

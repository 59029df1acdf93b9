package report

import (
	"archive/zip"
	"cmp"
	"context"
	"fmt"
	"html"
	"io"
	"runtime"
	"time"

	"golang.org/x/sync/errgroup"

	"example.com/phototie/match"
	"example.com/phototie/match/internal/words"
)

// What the pictures of a KMZ may take: together, so that a telephone still opens it,
// and each. Common practice, no source.
const (
	mostPictures = 32 << 20
	mostPicture  = 24 << 10
	leastPicture = 4 << 10
)

// MaxPictureBytes is how long each picture of a KMZ of n photos should be, so that
// all find room.
func MaxPictureBytes(n int) int {
	return min(mostPicture, max(leastPicture, mostPictures/max(1, n)))
}

// KMZ writes what KML writes as a ZIP file with a small picture of each photo, which
// its placemark and that of its point show: doc.kml first, and the pictures by
// relative links, as OGC 07-147r2 (annex C) has it. draw gives the picture of a photo
// as JPEG, and is called by several goroutines; where it fails, the placemark says
// why. Pictures beyond 32 MiB in all, in the order of the photos, are left out, and
// the document's description counts them. tell is told how many photos are through;
// nil is fine.
func KMZ(ctx context.Context, w io.Writer, dataset string, r *match.Result, at *match.Located, draw func(ctx context.Context, photo string) ([]byte, error), tell func(done, total int)) error {
	n := len(r.Photos)
	pictures, faults := make([][]byte, n), make([]error, n)
	room, over := mostPictures, 0
	// A stretch at a time, so that no more is held than finds room.
	for from := 0; from < n && room > 0; from += stretch {
		g, inside := errgroup.WithContext(ctx)
		g.SetLimit(runtime.GOMAXPROCS(0))
		to := min(n, from+stretch)
		for i := from; i < to; i++ {
			g.Go(func() error {
				pictures[i], faults[i] = draw(inside, r.Photos[i].Name)
				if faults[i] != nil {
					pictures[i] = nil
				}
				return inside.Err()
			})
		}
		if err := cmp.Or(g.Wait(), ctx.Err()); err != nil {
			return err
		}
		for i := from; i < to; i++ {
			if room -= len(pictures[i]); room < 0 {
				pictures[i], room = nil, 0
			}
			if tell != nil {
				tell(i+1, n)
			}
		}
	}
	for i := range pictures {
		if pictures[i] == nil && faults[i] == nil {
			over++
		}
	}
	note := ""
	if over > 0 {
		note = html.EscapeString(fmt.Sprintf(" %s no picture here, which would make the file too large.", words.Plural(over, "photo has", "photos have")))
	}
	index := make(map[string]int, n)
	for i := range r.Photos {
		index[r.Photos[i].Name] = i
	}
	z := zip.NewWriter(w)
	add := func(name string, method uint16) (io.Writer, error) {
		// The first day that a ZIP file can state: no time of writing is told.
		return z.CreateHeader(&zip.FileHeader{Name: name, Method: method, Modified: time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)})
	}
	doc, err := add("doc.kml", zip.Deflate)
	if err != nil {
		return err
	}
	if err := writeKML(doc, dataset, r, at, func(photo string) string {
		i := index[photo]
		if err := faults[i]; err != nil {
			return "<br>" + html.EscapeString("no picture of "+words.Safe(photo)+": "+words.Safe(err.Error()))
		}
		if pictures[i] == nil {
			return ""
		}
		return fmt.Sprintf(`<br><img src="%s" alt="%s">`, pictureFile(i), html.EscapeString(words.Safe(photo)))
	}, note); err != nil {
		return err
	}
	for i, picture := range pictures {
		if picture == nil {
			continue
		}
		f, err := add(pictureFile(i), zip.Store) // JPEG is compressed already
		if err != nil {
			return err
		}
		if _, err := f.Write(picture); err != nil {
			return err
		}
	}
	return z.Close()
}

// stretch is how many pictures of a KMZ are drawn before they are counted.
const stretch = 64

func pictureFile(i int) string { return fmt.Sprintf("pictures/%05d.jpg", i+1) }

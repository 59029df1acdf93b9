package record

import (
	"bytes"
	"context"
	"errors"
	"image"
	"io/fs"
	"os"
	"sync"

	"example.com/phototie/geotag/pixels"
)

// Gallery makes the small pictures of the photos of a file system, as Thumbnails does,
// each once: from pixels that were decoded for something else where it is shown them
// (See), and else when a picture is first asked for. It keeps them in a temporary file,
// so that any number takes little memory. It is safe for concurrent use, but for Close,
// after which it is not used. The zero value is none: NewGallery makes one.
type Gallery struct {
	thumbnailer
	file *os.File

	mu   sync.Mutex // guards what follows
	end  int64
	kept map[string]kept
}

// kept is where a picture is in the file.
type kept struct {
	at            int64
	size          int
	width, height int
}

// NewGallery makes a gallery, which Close takes away. The error is that of making a
// temporary file.
func NewGallery(files fs.FS, opt ThumbnailOptions) (*Gallery, error) {
	f, err := os.CreateTemp("", "phototie-pictures-*")
	if err != nil {
		return nil, err
	}
	// Where a file that is open can lose its name, nothing is left after a kill.
	_ = os.Remove(f.Name())
	return &Gallery{thumbnailer: newThumbnailer(files, opt), file: f, kept: make(map[string]kept)}, nil
}

// Close takes the temporary file away.
func (g *Gallery) Close() error {
	_ = g.file.Close() // what it holds is not wanted any more
	if err := os.Remove(g.file.Name()); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// See draws the picture of a photo from its decoded pixels and its Exif orientation.
// Where it can't be drawn or kept Picture draws it anew, and says what is wrong.
func (g *Gallery) See(photo string, img image.Image, orientation int) {
	if g.opt.Embedded {
		return
	}
	if p, err := g.opt.fit(g.opt.small(img, orientation)); err == nil {
		g.Keep(photo, p)
	}
}

// Keep takes up the picture of a photo, of this gallery's options, that another gallery
// made. One that the temporary file has no room for is drawn again.
func (g *Gallery) Keep(photo string, p Picture) {
	g.mu.Lock()
	k := kept{g.end, len(p.JPEG), p.Width, p.Height}
	g.end += int64(k.size)
	g.mu.Unlock()
	if _, err := g.file.WriteAt(p.JPEG, k.at); err != nil {
		return
	}
	g.mu.Lock()
	g.kept[photo] = k
	g.mu.Unlock()
}

// Picture is the picture of a photo; see Input.Thumbnail.
func (g *Gallery) Picture(ctx context.Context, photo string) (Picture, error) {
	g.mu.Lock()
	k, ok := g.kept[photo]
	g.mu.Unlock()
	if ok {
		p := Picture{JPEG: make([]byte, k.size), Width: k.width, Height: k.height}
		_, err := g.file.ReadAt(p.JPEG, k.at)
		return p, err
	}
	p, err := g.picture(ctx, photo)
	if err == nil {
		g.Keep(photo, p)
	}
	return p, err
}

// Smaller is the picture at no more than side pixels along the longer side and, as far
// as that goes, in no more bytes than most.
func (g *Gallery) Smaller(ctx context.Context, photo string, side, most int) (Picture, error) {
	p, err := g.Picture(ctx, photo)
	if err != nil || max(p.Width, p.Height) <= side && len(p.JPEG) <= most {
		return p, err
	}
	img, err := pixels.Decode(ctx, bytes.NewReader(p.JPEG), int64(len(p.JPEG)), side, pixels.Limits{})
	if err != nil {
		return Picture{}, err
	}
	opt := ThumbnailOptions{Size: side, MaxBytes: most}
	return opt.fit(opt.small(img, 1))
}

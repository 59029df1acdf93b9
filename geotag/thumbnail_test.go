package geotag

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/jpeg"
	"testing"

	goexif "github.com/rwcarlsen/goexif/exif"

	"example.com/phototie/geotag/geotagtest"
)

// An independent reader, goexif, gets the same bytes out of real camera files.
func TestThumbnailRealPhotos(t *testing.T) {
	same, none := 0, 0
	for _, s := range append(geotagtest.Photos(t), geotagtest.All(t)...) {
		got, err := Thumbnail(bytes.NewReader(s.Raw), int64(len(s.Raw)))
		var want []byte
		if x, xerr := goexif.Decode(bytes.NewReader(s.Raw)); xerr == nil {
			want, _ = x.JpegThumbnail() // an error of it is no thumbnail
		}
		switch {
		case err != nil && len(want) == 0:
			none++
		case err != nil:
			t.Errorf("%s: %v, but goexif finds %d bytes", s.Name, err, len(want))
		case want != nil && !bytes.Equal(got, want):
			t.Errorf("%s: %d bytes, goexif finds %d", s.Name, len(got), len(want))
		default:
			same++
			if _, err := jpeg.DecodeConfig(bytes.NewReader(got)); err != nil {
				t.Errorf("%s: %v", s.Name, err)
			}
		}
	}
	t.Logf("%d thumbnails, %d photos without", same, none)
	if same < 20 {
		t.Errorf("only %d thumbnails found", same)
	}
}

// thumbPhoto is a photo whose second directory points at off and n, relative to
// where the thumbnail really is.
func thumbPhoto(thumb []byte, compression uint16, dOff, dLen int) []byte {
	le := binary.LittleEndian
	b := append([]byte("II*\x00"), 8, 0, 0, 0) // the first directory at 8
	b = le.AppendUint16(b, 0)
	b = le.AppendUint32(b, 14) // the second right behind it
	b = le.AppendUint16(b, 3)
	at := 14 + 2 + 3*12 + 4
	for _, e := range []struct {
		tag, typ uint16
		v        uint32
	}{
		{tagCompression, 3, uint32(compression)},
		{tagThumbOffset, 4, uint32(at + dOff)},
		{tagThumbLength, 4, uint32(len(thumb) + dLen)},
	} {
		b = le.AppendUint16(b, e.tag)
		b = le.AppendUint16(b, e.typ)
		b = le.AppendUint32(b, 1)
		b = le.AppendUint32(b, e.v)
	}
	b = le.AppendUint32(b, 0)
	return splice(append(b, thumb...))
}

func smallJPEG(tb testing.TB) []byte {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 16, 12)), nil); err != nil {
		tb.Fatal(err)
	}
	return b.Bytes()
}

func TestThumbnailCases(t *testing.T) {
	thumb := smallJPEG(t)
	for _, c := range []struct {
		name string
		img  []byte
		want error
	}{
		{"sound", thumbPhoto(thumb, 6, 0, 0), nil},
		{"uncompressed", thumbPhoto(thumb, 1, 0, 0), ErrNoThumbnail},
		{"too long", thumbPhoto(thumb, 6, 0, 1), ErrCorrupt},
		{"offset wraps", thumbPhoto(thumb, 6, -100, 0), ErrCorrupt},
		{"starts late", thumbPhoto(thumb, 6, 1, -1), ErrCorrupt},
		{"empty", thumbPhoto(thumb, 6, 0, -len(thumb)), ErrNoThumbnail},
		{"no exif", geotagtest.Plain(), ErrNoThumbnail},
		{"no second directory", little().photo(), ErrNoThumbnail},
		{"no header", splice([]byte("XX*\x00")), ErrCorrupt},
		{"no image", []byte("plain text that is no image at all"), ErrFormat},
		{"empty file", nil, ErrFormat},
		{"cut off", geotagtest.Plain()[:20], ErrTruncated},
	} {
		got, err := Thumbnail(bytes.NewReader(c.img), int64(len(c.img)))
		if !errors.Is(err, c.want) || c.want == nil && !bytes.Equal(got, thumb) {
			t.Errorf("%s: %d bytes, error %v, want %v", c.name, len(got), err, c.want)
		}
	}
}

func FuzzThumbnail(f *testing.F) {
	thumb := smallJPEG(f)
	f.Add(thumbPhoto(thumb, 6, 0, 0))
	f.Add(thumbPhoto(thumb, 6, 0, 1))
	f.Add(geotagtest.Plain())
	f.Fuzz(func(t *testing.T, img []byte) {
		got, err := Thumbnail(bytes.NewReader(img), int64(len(img)))
		if (err == nil) != (len(got) > 0) {
			t.Fatalf("%d bytes with error %v", len(got), err)
		}
		if err == nil && !bytes.Contains(img, got) {
			t.Fatal("the thumbnail is not part of the image")
		}
	})
}

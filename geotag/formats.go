package geotag

import (
	"bytes"
	"strings"
)

// otherFormats are the signatures of formats that are not read here: where they
// stand, and what the file is. They are those of the formats' own specifications,
// and of raw files by common practice; all from memory.
var otherFormats = []struct {
	at          int
	sign, title string
}{
	{0, "GIF87a", "a GIF image"},
	{0, "GIF89a", "a GIF image"},
	{0, "BM", "a Windows bitmap (BMP)"},
	{0, "8BPS", "a layered image (PSD)"},
	{0, "\x00\x00\x00\x0CjP  ", "a JPEG 2000 image"},
	{0, "\xFF\x4F\xFF\x51", "a JPEG 2000 image"},
	{0, "\x00\x00\x00\x0CJXL ", "a JPEG XL image"},
	{0, "\xFF\x0A", "a JPEG XL image"},
	{0, "FOVb", "a raw file (X3F)"},
	{0, "\x00MRM", "a raw file (MRW)"},
	{6, "HEAPCCDR", "a raw file (CRW)"},
	{4, "ftyp", "a film (MP4, MOV or of that kind)"},
	{8, "AVI ", "a film (AVI)"},
	{0, "\x1A\x45\xDF\xA3", "a film (Matroska or WebM)"},
	{0, "%PDF-", "a PDF document"},
	{0, "%!PS", "a PostScript file"},
	{0, "PK\x03\x04", "a ZIP archive, or a document in one"},
	{0, "\x1F\x8B", "a gzip archive"},
	{0, "{\\rtf", "an RTF document"},
}

// otherFormat names what a file is that starts with head; empty where that is not
// known.
func otherFormat(head []byte) string {
	for _, f := range otherFormats {
		if len(head) >= f.at+len(f.sign) && string(head[f.at:f.at+len(f.sign)]) == f.sign {
			return f.title
		}
	}
	text := strings.ToLower(string(bytes.TrimLeft(head, "\xEF\xBB\xBF"+xmlSpace)))
	switch {
	case len(bytes.Trim(head, "\x00")) == 0:
		return "nothing but zeros, at least at its start; the copy may have failed"
	case strings.HasPrefix(text, "<!doctype html"), strings.HasPrefix(text, "<html"):
		return "a web page"
	case strings.HasPrefix(text, "<svg"):
		return "an SVG drawing"
	}
	return ""
}

// makerContainer is the raw formats of makers that are no TIFF underneath, as far as
// they are photos of today: CR3 and RAF. Nothing in them is read; the side-car file
// beside the photo is where it is tagged. Their signatures are common practice, no
// source.
var makerContainer = container{
	name:       nameRaw,
	extensions: []string{".cr3", ".raf"},
	sniff: func(head []byte) bool {
		return bytes.HasPrefix(head, []byte("FUJIFILMCCD-RAW")) || len(head) >= 12 && string(head[4:12]) == "ftypcrx "
	},
	read: func(*source) (*Tag, error) {
		return &Tag{Warnings: []Warning{{WarnUnread, "raw", "what a CR3 or RAF file says of its position is not read; a side-car file beside it is"}}}, nil
	},
	plan: func(*source, Edit, *Patch) (bool, error) { return false, ErrRaw },
}

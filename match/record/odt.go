package record

import (
	"archive/zip"
	"bytes"
	"cmp"
	"context"
	_ "embed"
	"encoding/xml"
	"fmt"
	"io"
	"strings"
	"text/template"
)

// MediaTypeODT is the media type of a text, OpenDocument 1.2 part 3 section 3.3: it is
// the first entry of the ZIP, not compressed.
const MediaTypeODT = "application/vnd.oasis.opendocument.text"

//go:embed odt.tmpl
var odtText string

// odtParts are the parts of a text that are XML.
var odtParts = template.Must(template.New("odt").Funcs(template.FuncMap{
	"x": xmlText, "list": func(s ...string) []string { return s },
	"join": func(s []string, by string) string { return strings.TrimSpace(strings.Join(s, by)) },
}).Parse(odtText))

// WriteODT writes the record as an OpenDocument text (OASIS OpenDocument 1.2, parts 1
// and 3), which an office can edit: the title block, the summary, the causes, what is
// to be looked at, and a sheet for each point with its photos and figures. It has no
// plan and no plots. The same input gives the same bytes. The error is that of w or of
// the context, or says that Result is nil.
func WriteODT(ctx context.Context, w io.Writer, in Input) error {
	if in.Result == nil {
		return errNoResult
	}
	d := newDoc(&in)
	d.place(1 << 62)
	pics := newPictures(ctx, &in, d.order)
	defer pics.stop()
	o := &odt{page: d.filled(page{Overview: d.overview(), Sheets: d.views(d.all(), 0, pics)}), z: zip.NewWriter(w)}
	if err := o.file("mimetype", zip.Store, []byte(MediaTypeODT)); err != nil {
		return err
	}
	for _, name := range []string{"content.xml", "styles.xml", "META-INF/manifest.xml"} {
		var b bytes.Buffer
		if err := cmp.Or(odtParts.ExecuteTemplate(&b, name, o), d.err); err != nil {
			return err
		}
		if err := o.file(name, zip.Deflate, b.Bytes()); err != nil {
			return err
		}
	}
	return o.z.Close()
}

// odt is a text being written.
type odt struct {
	page
	z        *zip.Writer
	Pictures []string // their files
}

func (o *odt) file(name string, method uint16, data []byte) error {
	f, err := o.z.CreateHeader(&zip.FileHeader{Name: name, Method: method})
	if err == nil {
		_, err = f.Write(data)
	}
	return err
}

// xmlText is a text in XML.
func xmlText(s string) string {
	var b bytes.Buffer
	_ = xml.EscapeText(&b, []byte(s)) // a Buffer takes all
	return b.String()
}

// frame is where a picture stands.
type frame struct {
	Number        int
	File, Alt     string
	Width, Height string
}

// Framed writes a picture into the ZIP, 8 cm along its longer side; nil where there is
// none.
func (o *odt) Framed(p Picture, alt string) (*frame, error) {
	if len(p.JPEG) == 0 || p.Width <= 0 || p.Height <= 0 {
		return nil, nil
	}
	n := len(o.Pictures) + 1
	name := fmt.Sprintf("Pictures/%05d.jpg", n)
	o.Pictures = append(o.Pictures, name)
	k := 8 / float64(max(p.Width, p.Height))
	return &frame{n, name, alt, fmt.Sprintf("%.2fcm", k*float64(p.Width)), fmt.Sprintf("%.2fcm", k*float64(p.Height))}, o.file(name, zip.Store, p.JPEG)
}

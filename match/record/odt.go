package record

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/xml"
	"fmt"
	"io"
	"strings"

	"example.com/phototie/match/internal/words"
)

// MediaTypeODT is the media type of a text, OpenDocument 1.2 part 3 section 3.3: it is
// the first entry of the ZIP, not compressed.
const MediaTypeODT = "application/vnd.oasis.opendocument.text"

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
	z := zip.NewWriter(w)
	o := odt{doc: d, z: z}
	if err := o.file("mimetype", zip.Store, []byte(MediaTypeODT)); err != nil {
		return err
	}
	if err := o.body(pics); err != nil {
		return err
	}
	for _, f := range []struct{ name, text string }{
		{"content.xml", odtHead + o.b.String() + "</office:text></office:body></office:document-content>\n"},
		{"styles.xml", odtStyles},
		{"META-INF/manifest.xml", odtManifest + o.manifest.String() + "</manifest:manifest>\n"},
	} {
		if err := o.file(f.name, zip.Deflate, []byte(f.text)); err != nil {
			return err
		}
	}
	return z.Close()
}

const (
	odtNames = `xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" ` +
		`xmlns:style="urn:oasis:names:tc:opendocument:xmlns:style:1.0" xmlns:fo="urn:oasis:names:tc:opendocument:xmlns:xsl-fo-compatible:1.0" ` +
		`xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" xmlns:draw="urn:oasis:names:tc:opendocument:xmlns:drawing:1.0" ` +
		`xmlns:svg="urn:oasis:names:tc:opendocument:xmlns:svg-compatible:1.0" xmlns:xlink="http://www.w3.org/1999/xlink" office:version="1.2"`
	odtHead = xml.Header + `<office:document-content ` + odtNames + `><office:automatic-styles>` +
		`<style:style style:name="Picture" style:family="graphic"><style:graphic-properties fo:margin-bottom="0.1cm"/></style:style>` +
		`</office:automatic-styles><office:body><office:text>` + "\n"
	odtStyles = xml.Header + `<office:document-styles ` + odtNames + `><office:styles>` +
		`<style:default-style style:family="paragraph"><style:text-properties fo:font-size="10pt" fo:language="en" fo:country="GB"/></style:default-style>` +
		`<style:style style:name="Standard" style:family="paragraph"/>` +
		`<style:style style:name="Heading_1" style:display-name="Heading 1" style:family="paragraph" style:parent-style-name="Standard" style:default-outline-level="1"><style:text-properties fo:font-size="20pt" fo:font-weight="bold"/></style:style>` +
		`<style:style style:name="Heading_2" style:display-name="Heading 2" style:family="paragraph" style:parent-style-name="Standard" style:default-outline-level="2"><style:paragraph-properties fo:margin-top="0.5cm" fo:margin-bottom="0.15cm" fo:keep-with-next="always"/><style:text-properties fo:font-size="14pt" fo:font-weight="bold"/></style:style>` +
		`<style:style style:name="Heading_3" style:display-name="Heading 3" style:family="paragraph" style:parent-style-name="Standard" style:default-outline-level="3"><style:paragraph-properties fo:margin-top="0.4cm" fo:keep-with-next="always"/><style:text-properties fo:font-size="11pt" fo:font-weight="bold"/></style:style>` +
		`<style:style style:name="Photo" style:family="paragraph" style:parent-style-name="Standard"><style:paragraph-properties fo:margin-top="0.3cm" fo:keep-with-next="always"/></style:style>` +
		`<style:style style:name="Figures" style:family="paragraph" style:parent-style-name="Standard"><style:text-properties fo:font-size="8.5pt"/></style:style>` +
		`</office:styles><office:automatic-styles><style:page-layout style:name="Page"><style:page-layout-properties fo:page-width="21cm" fo:page-height="29.7cm" fo:margin="2cm"/></style:page-layout></office:automatic-styles>` +
		`<office:master-styles><style:master-page style:name="Standard" style:page-layout-name="Page"/></office:master-styles></office:document-styles>` + "\n"
	odtManifest = xml.Header + `<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0" manifest:version="1.2">` +
		`<manifest:file-entry manifest:full-path="/" manifest:version="1.2" manifest:media-type="` + MediaTypeODT + `"/>` +
		`<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/><manifest:file-entry manifest:full-path="styles.xml" manifest:media-type="text/xml"/>`
)

// odt is a text being written.
type odt struct {
	*doc
	z        *zip.Writer
	b        strings.Builder // of content.xml
	manifest strings.Builder
	pictures int
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

func (o *odt) heading(level int, text string) {
	fmt.Fprintf(&o.b, "<text:h text:style-name=\"Heading_%d\" text:outline-level=\"%[1]d\">%s</text:h>\n", level, xmlText(text))
}

// para writes a paragraph in a style, nothing where there is no text.
func (o *odt) para(style, text string) {
	if text != "" {
		fmt.Fprintf(&o.b, "<text:p text:style-name=\"%s\">%s</text:p>\n", style, xmlText(text))
	}
}

func (o *odt) facts(fs facts) {
	for _, f := range fs {
		text := f.Term + ": " + strings.Join(f.Text, "; ")
		if f.Link != nil {
			text += " " + f.Link.Text
		}
		o.para("Figures", text)
	}
}

// table writes a table with a row of heads.
func (o *odt) table(name string, rows [][]string) {
	if len(rows) < 2 {
		return
	}
	fmt.Fprintf(&o.b, `<table:table table:name="%s"><table:table-column table:number-columns-repeated="%d"/>`, name, len(rows[0]))
	for i, row := range rows {
		if i == 0 {
			o.b.WriteString("<table:table-header-rows>")
		}
		o.b.WriteString("<table:table-row>")
		for _, cell := range row {
			o.b.WriteString(`<table:table-cell office:value-type="string">`)
			fmt.Fprintf(&o.b, `<text:p text:style-name="Figures">%s</text:p></table:table-cell>`, xmlText(cell))
		}
		o.b.WriteString("</table:table-row>\n")
		if i == 0 {
			o.b.WriteString("</table:table-header-rows>")
		}
	}
	o.b.WriteString("</table:table>\n")
}

// picture writes a picture, 8 cm along its longer side.
func (o *odt) picture(p Picture, alt string) error {
	if len(p.JPEG) == 0 || p.Width <= 0 || p.Height <= 0 {
		return nil
	}
	o.pictures++
	name := fmt.Sprintf("Pictures/%05d.jpg", o.pictures)
	fmt.Fprintf(&o.manifest, `<manifest:file-entry manifest:full-path="%s" manifest:media-type="image/jpeg"/>`, name)
	k := 8 / float64(max(p.Width, p.Height))
	fmt.Fprintf(&o.b, `<text:p text:style-name="Photo"><draw:frame draw:style-name="Picture" draw:name="Picture %d" text:anchor-type="as-char" svg:width="%.2fcm" svg:height="%.2fcm">`+
		`<draw:image xlink:href="%s" xlink:type="simple" xlink:show="embed" xlink:actuate="onLoad"/><svg:title>%s</svg:title></draw:frame></text:p>`+"\n",
		o.pictures, k*float64(p.Width), k*float64(p.Height), name, xmlText(alt))
	return o.file(name, zip.Store, p.JPEG)
}

// body writes all of the text, and the pictures as they are drawn.
func (o *odt) body(pics *pictures) error {
	d := o.doc
	o.heading(1, d.title)
	o.para("Standard", words.Safe(d.in.Date))
	if err := o.picture(d.in.Logo, "Logo"); err != nil {
		return err
	}
	for _, f := range d.in.Block {
		o.para("Standard", words.Safe(f.Name)+": "+words.Safe(f.Text))
	}
	v := d.overview()
	o.heading(2, "Summary")
	for _, s := range append([]string{v.Summary.State, v.Summary.Left, v.Summary.Lead}, v.Summary.Says...) {
		o.para("Standard", s)
	}
	rows := [][]string{{"Verdict", "Photos", "Share", "Median", "Greatest"}}
	for _, r := range v.Summary.Rows {
		rows = append(rows, []string{string(r.Verdict), r.Count, r.Share, r.Median, r.Greatest})
	}
	o.table("Verdicts", rows)
	rows = [][]string{{"Who", "When", "What", "Why"}}
	for _, c := range v.Checks {
		rows = append(rows, []string{c.By, c.When, c.What, c.Why})
	}
	o.table("Checks", rows)
	o.heading(2, "Causes")
	o.para("Standard", v.NoCause)
	for _, c := range v.Causes {
		o.heading(3, c.Name+" ("+c.Count+")")
		o.para("Standard", c.Summary)
		o.para("Standard", c.Remedy)
	}
	o.heading(2, "To look at")
	rows = [][]string{{"Photo", "Point", "Verdict", "Distance", "Allowed", "Remark"}}
	for _, part := range v.Look {
		for _, r := range part.Rows {
			rows = append(rows, []string{r.Photo.Text, r.Point.Text, string(r.Verdict), r.Distance, r.Allowed, r.Say})
		}
	}
	if len(rows) == 1 {
		o.para("Standard", v.NoLook)
	}
	o.table("Look", rows)
	for s := range d.sheets {
		if err := o.sheet(s, pics); err != nil {
			return err
		}
	}
	o.heading(2, "Annex: how it was judged")
	o.facts(v.Facts)
	o.para("Standard", "This record says whether each tag fits its point under the stated budget. It is no licensed surveyor\u2019s certification; local codes and licensed practice prevail. Never navigate or dig by a photo tag.")
	o.para("Figures", words.Safe(d.in.Tool))
	return nil
}

// sheet writes a point with its photos.
func (o *odt) sheet(s int, pics *pictures) error {
	v := o.sheetView(s)
	o.heading(2, strings.TrimSpace(v.Title+" "+v.Desc))
	o.facts(v.Facts)
	o.para("Standard", v.None)
	for _, i := range o.sheets[s].photos {
		pic, picErr, err := pics.next()
		if err != nil {
			return err
		}
		p := o.photoView(i, 0, pic, picErr)
		if err := o.picture(pic, p.Alt); err != nil {
			return err
		}
		o.para("Standard", p.NoImg)
		o.para("Standard", fmt.Sprintf("%d  %s: %s. %s", p.Number, p.Base, p.Verdict, p.Brief))
		for _, c := range p.Causes {
			o.para("Figures", "Cause: "+c.Text)
		}
		o.facts(p.Facts)
		o.facts(p.Changes)
		o.done++
		if o.in.Progress != nil {
			o.in.Progress(o.done, len(o.r.Photos))
		}
	}
	return nil
}

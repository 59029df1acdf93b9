package delivery

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"net/url"
	"os"
	"path"
	"slices"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"example.com/phototie/geotag/ledger"
	"example.com/phototie/grid"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/internal/words"
	"example.com/phototie/match/record"
	"example.com/phototie/match/report"
)

// layout works out the files of the delivery that make it a dataset: those copied,
// and the settings and links, which are written anew.
func (p *packing) layout(ctx context.Context) error {
	s := p.job.Dataset().Settings()
	p.copies = map[string]string{}
	known := []string{dataset.SettingsFile, s.Points.File, s.Links.File, s.Links.Decisions}
	place := func(file *string, name string) {
		to := name + safeExt(*file)
		p.copies[to] = *file
		known = append(known, *file)
		*file = to
	}
	place(&s.Points.File, "points")
	if s.Site != nil && s.Site.Control != "" {
		site := *s.Site
		place(&site.Control, "control")
		s.Site = &site
	}
	if s.Record.Logo != "" {
		place(&s.Record.Logo, "logo")
	}
	for _, f := range p.job.Dataset().Files() {
		if !slices.Contains(known, f) {
			return fmt.Errorf("the job has a file that a delivery has no place for: %s", f)
		}
	}
	s.Links = dataset.LinkSettings{File: linksFile, Only: p.job.SurveyRead.Points.Links > 0}
	decided, err := p.decisions(ctx)
	if err != nil {
		return err
	}
	if len(decided) > 0 {
		s.Links.Decisions = dataset.DecisionsFile
	}
	s.Photos.Folder = photosFolder
	p.settings = s
	var settings bytes.Buffer
	settings.WriteString("# The settings of the job, for the names in this delivery.\n\n")
	if err := dataset.WriteSettings(&settings, s); err != nil {
		return err
	}
	text, err := p.links(p.job.Links)
	if err != nil {
		return err
	}
	p.texts = map[string][]byte{dataset.SettingsFile: settings.Bytes(), linksFile: text}
	if len(decided) > 0 {
		var b bytes.Buffer
		if err := dataset.WriteDecisions(&b, decided); err != nil {
			return err
		}
		p.texts[dataset.DecisionsFile] = b.Bytes()
	}
	return nil
}

// decisions are those of the job that hold, by the names in the delivery.
func (p *packing) decisions(ctx context.Context) ([]match.Decision, error) {
	out := p.job.Decisions()
	if err := p.job.Bind(ctx, out); err != nil {
		return nil, err
	}
	for i := range out {
		out[i].Photo = p.names[out[i].Photo]
	}
	return out, nil
}

// links is the links file: a row for each photo and the point that it is tied to,
// with the name that it came with. What the links of the job say beyond that is
// kept as it is: several points for a photo, points that were not surveyed, photos
// that are not there.
func (p *packing) links(links []match.Link) ([]byte, error) {
	names := make([]string, len(p.job.Photos))
	for i := range p.job.Photos {
		names[i] = p.job.Photos[i].Name
	}
	of, unmatched, err := match.SortLinks(names, links)
	if err != nil {
		return nil, err
	}
	var rows []dataset.LinkRow
	for i := range p.job.Photos {
		r := &p.job.Photos[i]
		if d := r.Decision; d != nil && d.Stale == "" && (d.Ruling == match.RulingShows || d.Ruling == match.RulingNoPoint) {
			same := slices.DeleteFunc(of[i], func(l match.Link) bool { return strings.TrimSpace(l.Point) != d.Point })
			of[i] = append(same, match.Link{Point: d.Point})
		}
		// A point alone adds nothing to a link that says more of it.
		slices.SortStableFunc(of[i], func(a, b match.Link) int { return cmp.Compare(plain(a), plain(b)) })
		ids := []string{}
		for _, l := range of[i] {
			l.Photo, l.Point = p.names[r.Name], strings.TrimSpace(l.Point)
			if l.Point != "" && (l.Aim != nil || !slices.Contains(ids, l.Point)) {
				ids, rows = append(ids, l.Point), append(rows, dataset.LinkRow{Link: l, Original: r.NameAsTaken()})
			}
		}
		if len(ids) == 0 { // it has no link, and a name that it came with
			rows = append(rows, dataset.LinkRow{Link: match.Link{Photo: p.names[r.Name]}, Original: r.NameAsTaken()})
		}
	}
	for _, l := range unmatched {
		rows = append(rows, dataset.LinkRow{Link: l.Link})
	}
	slices.SortStableFunc(rows, func(a, b dataset.LinkRow) int { return strings.Compare(a.Photo, b.Photo) })
	var b bytes.Buffer
	err = dataset.WriteLinks(&b, rows)
	return b.Bytes(), err
}

// plain orders links that say more than their point before those that don't.
func plain(l match.Link) int {
	if l.Aim == nil {
		return 1
	}
	return 0
}

// write puts a file of the delivery on disk.
func (p *packing) write(name string, write func(io.Writer) error) error {
	if dir := path.Dir(name); dir != "." {
		if err := p.root.MkdirAll(dir, 0o755); err != nil {
			return err
		}
	}
	f, err := p.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	b := bufio.NewWriterSize(f, 1<<16)
	if err := write(b); err != nil {
		return errors.Join(fmt.Errorf("%s: %w", name, err), f.Close())
	}
	return errors.Join(b.Flush(), f.Sync(), f.Close())
}

func (p *packing) text(name string, text []byte) error {
	return p.write(name, func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	})
}

// copy copies a file of the job that is no photo.
func (p *packing) copy(name, from string) error {
	f, err := p.job.Dataset().FS().Open(from)
	if err != nil {
		return err
	}
	defer f.Close()
	return p.write(name, func(w io.Writer) error {
		_, err := io.Copy(w, f)
		return err
	})
}

// judge judges the photos as they were taken by their names in the delivery.
func (p *packing) judge(ctx context.Context, d *dataset.Dataset) (*report.Job, error) {
	read := make(map[string]match.Photo, len(p.job.Photos))
	for i := range p.job.Photos {
		photo := p.job.Photos[i].Photo
		read[p.names[photo.Name]] = photo
	}
	var err error
	j := &report.Job{Name: p.opt.Title, FailOn: p.opt.FailOn, Version: p.opt.Version, Time: p.opt.Time}
	if j.Checked, err = p.check(ctx, d, dataset.CheckOptions{Photos: read}, "judging photos by their new names"); err != nil {
		return nil, err
	}
	if err := p.same(j.Result); err != nil {
		return nil, err
	}
	if j.Time.IsZero() {
		j.Time = latest(j.Result)
	}
	j.Outcome = p.baseline.Apply(j.Findings(), p.opt.Today)
	p.doc.Standing = p.standing(j.Outcome)
	return j, nil
}

// formats writes what was found out about the photos as they were taken: the
// record and the formats for programs. accepted says that the delivery has a
// baseline.
func (p *packing) formats(ctx context.Context, j *report.Job, accepted bool) error {
	if err := p.record(ctx, j); err != nil {
		return err
	}
	if accepted {
		j.Baseline = AcceptedFile
	}
	for _, name := range []string{"photos.json", "photos.csv", "photos.geojson", "photos.kml", "photos.gpkg", "photos.sarif", "photos.xml"} {
		format, err := report.FormatOf(name)
		if err != nil {
			return err
		}
		if err := p.write(path.Join(formatsFolder, name), func(w io.Writer) error { return j.Write(ctx, w, format) }); err != nil {
			return err
		}
	}
	return p.kmz(ctx, j)
}

// mapFile is the map with pictures.
const mapFile = formatsFolder + "/photos.kmz"

// kmz writes the map with the pictures of the photos, where there are to be any.
func (p *packing) kmz(ctx context.Context, j *report.Job) error {
	if p.opt.Gallery == nil {
		return nil
	}
	at, err := j.Locate(ctx)
	if err != nil {
		return err
	}
	tell, done := p.opt.Progress("drawing the map's pictures")
	defer done()
	taken, most := p.taken(), report.MaxPictureBytes(len(j.Photos))
	return p.write(mapFile, func(w io.Writer) error {
		return report.KMZ(ctx, w, j.Name, j.Result, at, func(ctx context.Context, photo string) ([]byte, error) {
			picture, err := p.opt.Gallery.Smaller(ctx, taken[photo], smallPictures, most)
			return picture.JPEG, err
		}, tell)
	})
}

// latest is the latest time that a job's photos and points state, and the
// beginning of 1980, before which there was no fix, where none states any.
func latest(res *match.Result) time.Time {
	out := time.Date(1980, 1, 6, 0, 0, 0, 0, time.UTC)
	add := func(t time.Time) {
		if t.After(out) {
			out = t.UTC()
		}
	}
	for i := range res.Photos {
		if t := res.Photos[i].Tag; t != nil {
			add(t.When())
		}
	}
	for i := range res.Points {
		add(res.Points[i].Observed)
	}
	return out
}

// The pictures of the record are drawn largePictures along the longer side, which
// prints at 200 dots an inch on 81 mm; a job of more than manyPictures gets smallPictures,
// since the record would open slowly.
const (
	largePictures = 640
	smallPictures = 320
	manyPictures  = 600
)

// Record is the input of the photo record of a checked job. An empty title means
// that of the settings. gallery has the pictures, nil for none; accepted are the findings
// that somebody accepted.
func Record(ctx context.Context, job *dataset.Checked, title, tool string, gallery *record.Gallery, accepted []baseline.Accepted) (record.Input, error) {
	files, block := job.Dataset().FS(), job.Dataset().Settings().Record
	in := record.Input{Title: cmp.Or(title, block.Title), Result: job.Result, Tool: tool, Checks: checks(job.Result, accepted)}
	for _, f := range []record.Fact{{Name: "Client", Text: block.Client}, {Name: "Surveyor", Text: block.Surveyor}, {Name: "Reference", Text: block.Reference}, {Name: "Dates", Text: block.Dates},
		{Name: "Equipment", Text: block.Equipment}, {Name: "Heights", Text: block.Vertical}} {
		if f.Text != "" {
			in.Block = append(in.Block, f)
		}
	}
	for _, f := range append(report.SurveyFacts(job.SurveyRead, job.Grid.Unit), report.PictureFacts(job.Result)...) {
		in.Facts = append(in.Facts, record.Fact{Name: f.Name, Text: f.Text})
	}
	if p := job.SurveyRead.Points; p != nil && p.HeightUnit != nil {
		in.HeightUnit = *p.HeightUnit
	}
	if job.Explanation != nil {
		in.Causes = record.Explained(job.Explanation, job.Result.Grid.Unit)
	}
	if g, ok := job.Dataset().Projection().(grid.Geodesist); ok {
		in.Geographic = g.Geographic
	}
	if block.Logo != "" {
		var err error
		if in.Logo, err = record.Thumbnails(files, record.ThumbnailOptions{})(ctx, block.Logo); err != nil {
			return in, &dataset.Problem{File: dataset.SettingsFile, What: fmt.Sprintf("record.logo = %q can't be drawn: %v", block.Logo, err), Remedy: "name a JPEG, PNG, TIFF or WebP picture in the job's folder"}
		}
	}
	if gallery != nil {
		in.Thumbnail = gallery.Picture
	}
	return in, nil
}

// NewGallery makes the gallery of a dataset's photos for Record and Pack, in the size
// that suits their number: nil for no pictures. Whoever makes it closes it; give its
// See to Check, so that photos that are measured are not decoded twice.
func NewGallery(ctx context.Context, d *dataset.Dataset, pictures Pictures) (*record.Gallery, error) {
	if pictures == NoPictures {
		return nil, nil
	}
	names, err := d.PhotoNames(ctx)
	if err != nil {
		return nil, err
	}
	size := largePictures
	if len(names) > manyPictures {
		size = smallPictures
	}
	return record.NewGallery(d.FS(), record.ThumbnailOptions{Size: size, Embedded: pictures == EmbeddedPictures})
}

// taken is the name in the job of a photo of the delivery.
func (p *packing) taken() map[string]string {
	out := make(map[string]string, len(p.names))
	for from, to := range p.names {
		out[to] = from
	}
	return out
}

// checks say who answers for what: decisions about photos, and acceptances by the
// reasons that were given for them.
func checks(r *match.Result, accepted []baseline.Accepted) (out []record.Check) {
	of := map[record.Check][]string{}
	add := func(c record.Check, about string) {
		if of[c] == nil {
			out = append(out, c)
		}
		of[c] = append(of[c], about)
	}
	for i := range r.Photos {
		if d := r.Photos[i].Decision; d != nil && d.Stale == "" {
			add(record.Check{By: d.By, When: d.When, What: "decided", Why: d.Why}, r.Photos[i].Name)
		}
	}
	for _, a := range accepted {
		if a.Entry.Decided == "" {
			add(record.Check{By: cmp.Or(a.Entry.By, "not named"), When: a.Entry.Until(), What: "accepted " + string(a.Code), Why: a.Entry.Reason}, cmp.Or(a.Photo, a.Point, "the job"))
		}
	}
	for i := range out {
		about := of[out[i]]
		out[i].What += ": " + words.List(about, 4)
	}
	return out
}

// record writes the photo record.
func (p *packing) record(ctx context.Context, j *report.Job) error {
	in, err := Record(ctx, j.Checked, p.opt.Title, p.tool(), nil, j.Outcome.Accepted)
	if err != nil {
		return err
	}
	if taken := p.taken(); p.opt.Gallery != nil {
		in.Thumbnail = func(ctx context.Context, photo string) (record.Picture, error) {
			return p.opt.Gallery.Picture(ctx, taken[photo])
		}
	}
	in.Facts = append(in.Facts, record.Fact{Name: "delivery", Text: p.said()})
	if in.Changes, err = p.changes(); err != nil {
		return err
	}
	tell, done := p.opt.Progress("writing sheets")
	defer done()
	in.Progress = tell
	if len(j.Photos) <= p.opt.MaxOnFile {
		in.PhotoLink = linkFrom("./")
		return p.write(recordFile, func(w io.Writer) error { return record.Write(ctx, w, in) })
	}
	in.PhotoLink = linkFrom("../")
	if err := p.root.Mkdir(recordFolder, 0o755); err != nil {
		return err
	}
	root, err := p.root.OpenRoot(recordFolder)
	if err != nil {
		return err
	}
	defer root.Close()
	if err := record.WriteDir(ctx, root, in); err != nil {
		return err
	}
	pages, err := fs.ReadDir(root.FS(), ".")
	if err != nil {
		return err
	}
	for _, e := range pages {
		f, err := root.OpenFile(e.Name(), os.O_RDWR, 0)
		if err != nil {
			return err
		}
		if err := errors.Join(f.Sync(), f.Close()); err != nil {
			return err
		}
	}
	return nil
}

// linkFrom gives the addresses of photos as seen from a page.
func linkFrom(base string) func(string) string {
	return func(photo string) string {
		parts := strings.Split(photo, "/")
		for i := range parts {
			parts[i] = url.PathEscape(parts[i])
		}
		return base + strings.Join(parts, "/")
	}
}

// said words what became of the photos, and what was passed over to pack them.
func (p *packing) said() string {
	s := fmt.Sprintf("%s, named %s; each sheet and %s have the names before", words.Plural(len(p.doc.Photos), "photo"), p.doc.Template, linksFile)
	for _, o := range []struct {
		outcome dataset.ChangeOutcome
		one     string
		words   string
	}{
		{dataset.Corrected, "has the surveyed position now", "have the surveyed position now"}, {dataset.Unchanged, "had it already", "had it already"},
		{dataset.Left, "is as it was", "are as they were"}, {dataset.Refused, "can't take it without harm and is as it was", "can't take it without harm and are as they were"},
	} {
		if n := p.doc.Count(o.outcome); n > 0 {
			s += fmt.Sprintf("; %s %s", words.Count(n), words.Pick(n, o.one, o.words))
		}
	}
	if p.doc.Accepted > 0 {
		s += fmt.Sprintf("; %s accepted", words.Plural(p.doc.Accepted, "finding"))
	}
	if n := len(p.doc.Standing); n > 0 {
		s += fmt.Sprintf("; packed despite %s at or above %s", words.Plural(n, "finding"), p.doc.FailOn)
	}
	return s
}

// changes is what the record says of each photo: the corrections that the ledger
// has, and why the others are as they were.
func (p *packing) changes() ([]record.Change, error) {
	out, err := record.LedgerChanges(p.root)
	if err != nil {
		return nil, err
	}
	for i := range p.doc.Photos {
		switch ph := &p.doc.Photos[i]; {
		case ph.Outcome == dataset.Unchanged:
			out = append(out, record.Change{Photo: ph.Photo, What: "it had the surveyed position already", Left: "the surveyed position was there already"})
		case ph.Outcome != dataset.Corrected:
			out = append(out, record.Change{Photo: ph.Photo, What: "none; the photo is as it was: " + ph.Why, Left: ph.Why})
		}
	}
	return out, nil
}

// sums writes the manifest.
func (p *packing) sums(ctx context.Context) error {
	tell, done := p.opt.Progress("summing files")
	defer done()
	return p.write(SumsFile, func(w io.Writer) error { return WriteSums(ctx, w, p.root.FS(), tell) })
}

// readme tells a reader what is there.
func (p *packing) readme(accepted bool) func(io.Writer) error {
	recordAt, check := recordFile, "phototie check ."
	if len(p.doc.Photos) > p.opt.MaxOnFile {
		recordAt = recordFolder + "/" + record.IndexFile
	}
	if accepted {
		check = "phototie check --baseline " + AcceptedFile + " ."
	}
	rows := [][2]string{
		{recordAt, "the photo record: open it in a browser, print it"},
		{photosFolder + "/", "the photos; in " + photosFolder + "/" + UntiedFolder + "/ those that are tied to no point, if there are any"},
		{p.settings.Points.File, "the surveyed points, as the survey gave them"},
		{linksFile, "which photo shows which point, and the name it came with"},
		{formatsFolder + "/", "every photo with its figures, as JSON, CSV, GeoJSON, KML, GeoPackage, SARIF, JUnit"},
	}
	if p.opt.Gallery != nil {
		rows = append(rows, [2]string{mapFile, "a map with small pictures: open it in a program for maps"})
	}
	rows = append(rows, [][2]string{
		{formatsFolder + "/photos.gpkg", gpkgIs(p.settings)},
		{PackFile, "what was done to each photo, with its SHA-256 before and after"},
		{dataset.SettingsFile, "the settings that the photos were judged by"},
	}...)
	if accepted {
		rows = append(rows, [2]string{AcceptedFile, "findings that were accepted, with reason and expiry"})
	}
	if p.settings.Site != nil && p.settings.Site.Control != "" {
		rows = append(rows, [2]string{p.settings.Site.Control, "the control of the site system"})
	}
	if p.settings.Links.Decisions != "" {
		rows = append(rows, [2]string{dataset.DecisionsFile, "what was decided about photos, by whom, when and why"})
	}
	rows = append(rows, [2]string{ledger.FileName, "how to get every original byte back"}, [2]string{SumsFile, "the SHA-256 of every file"})
	if p.opt.Key != nil {
		rows = append(rows, [2]string{SignatureFile, "the signature of the sums"})
	}
	return func(w io.Writer) error {
		var b strings.Builder
		fmt.Fprintf(&b, "%s\n\n%s.\n\n", report.Plain(p.opt.Title), p.said())
		if p.doc.Count(dataset.Corrected) > 0 {
			fmt.Fprintf(&b, "The surveyed position is in the photos' metadata.\n%s\n\n", words.InPicture)
		}
		wide := 0
		for _, r := range rows {
			wide = max(wide, len(r[0]))
		}
		for _, r := range rows {
			fmt.Fprintf(&b, "%-*s  %s\n", wide, r[0], r[1])
		}
		if n := len(p.doc.LeftOut); n > 0 {
			fmt.Fprintf(&b, "\nNot here, as they belong to no photo: %s among the photos of the job;\n%s has the list.\n", words.Plural(n, "file"), PackFile)
		}
		b.WriteString(p.howSigned())
		fmt.Fprintf(&b, `
To see that nothing was changed since, here:
  Linux    sha256sum -c --quiet %[1]s
  macOS    shasum -a 256 -c %[1]s
  Windows  certutil -hashfile FILE SHA256, for a file at a time, beside its line
           in %[1]s
With phototie:
  phototie verify .      that nothing was changed
  %-21[2]s  how the photos are judged
  phototie restore .     takes the photos back to what they were

The record and the formats judge the photos as they were taken, before the
surveyed position was written into them.

This is not a licensed surveyor's certification. Local codes and licensed practice
prevail. Never navigate or dig by a photo tag.
`, SumsFile, check)
		_, err := io.WriteString(w, b.String())
		return err
	}
}

// gpkgIs says what the GeoPackage is.
func gpkgIs(s dataset.Settings) string {
	if s.Site == nil {
		return "layers for a GIS, styled, on the grid of the points"
	}
	return "layers for a GIS, styled, on " + report.Plain(s.Grid.CRS) + "; site_e and site_n are the site's"
}

// howSigned tells how the signature is verified, by a reader who has no phototie.
func (p *packing) howSigned() string {
	if p.opt.Key == nil {
		return ""
	}
	pub := p.opt.Key.PublicKey()
	return fmt.Sprintf(`
%s is the signature of %s by the key
  %s
To verify it, ask the signer for the key by another way than this folder, and compare.
Write the signer's name, say "office", and the key into a file, say allowed_signers:
  office %s
Then, with OpenSSH (on Linux, macOS and Windows), here:
  ssh-keygen -Y verify -f allowed_signers -I office -n %s -s %s < %s
and verify the files by their sums, as follows.
`, SignatureFile, SumsFile, ssh.FingerprintSHA256(pub), strings.TrimSpace(string(ssh.MarshalAuthorizedKey(pub))), signed, SignatureFile, SumsFile)
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

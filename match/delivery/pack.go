package delivery

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/crypto/ssh"

	"example.com/phototie/geotag/ledger"
	"example.com/phototie/geotag/pixels"
	"example.com/phototie/match"
	"example.com/phototie/match/baseline"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/record"
	"example.com/phototie/match/report"
)

// The files of a delivery besides the photos, the points and the links.
const (
	// readmeFile tells a reader what is there.
	readmeFile = "README.txt"
	// PackFile is the document of what was packed; package report has its schema.
	PackFile = "pack.json"
	// AcceptedFile is the baseline, by the names in the delivery.
	AcceptedFile = "accepted.toml"
	// recordFile is the photo record; with many photos it is a folder, recordFolder.
	recordFile   = "record.html"
	recordFolder = "record"
	// formatsFolder has the check of the photos as they were taken, for programs.
	formatsFolder = "formats"

	photosFolder = "photos"
	linksFile    = "links.csv"
)

// MaxOnFile is the number of photos above which the record is a folder of pages,
// unless the options say otherwise: one file of more opens slowly on a phone.
const MaxOnFile = 1500

// Options say what is packed, how and where.
type Options struct {
	// Into is the folder of the delivery, which must not be there yet, or be empty.
	Into string
	// Template names the photos; nil is DefaultTemplate.
	Template *Template
	// Policy says which photos get the surveyed position. The others go in as they
	// are. Sidecars corrects the side-cars of photos that are not raw, too.
	Policy   match.Policy
	Sidecars bool
	// Label labels the photos that are corrected; see dataset.CorrectOptions.
	Label, Relabel bool
	// FailOn is the least severity of a finding that stands in the way; empty for
	// none. Override packs all the same, and says so.
	FailOn   match.Severity
	Override bool
	// Baseline has findings that are accepted on the day Today; nil for none.
	Baseline *baseline.Baseline
	Today    baseline.Date
	// Title is the job's name in the record; empty is that of the settings.
	Title string
	// Program and Version name what packs, in the ledger and the record.
	Program, Version string
	// Time is the time of packing, for the ledger and the GeoPackage. Where it is
	// zero none is written, and the same job gives the same bytes on any day: the
	// GeoPackage, which can't do without, then has the latest time that the job's
	// photos and points state.
	Time time.Time
	// Pixels says whether the pixels of the delivery's photos are measured when it
	// is checked; give what the job was checked with.
	Pixels dataset.PixelPolicy
	// Gallery has the small pictures of the record and the map, by the photos' names in
	// the job; nil for none.
	Gallery *record.Gallery
	// MaxOnFile is the number of photos above which the record is a folder of
	// pages; 0 defaults to MaxOnFile.
	MaxOnFile int
	// Key signs the sums; nil for none. See OpenSigner.
	Key ssh.Signer
	// DryRun works out the names and writes nothing.
	DryRun bool
	// Progress returns a function that is told how far a part of the work is, and
	// one that is called when that part ends; nil for none.
	Progress func(what string) (tell dataset.Progress, done func())
}

// Pictures says where the small pictures of the record come from.
type Pictures string

// The small pictures.
const (
	// DrawnPictures are drawn from the photos; it is what the empty value means.
	DrawnPictures Pictures = "drawn"
	// EmbeddedPictures are the thumbnails that cameras put into their photos.
	EmbeddedPictures Pictures = "embedded"
	// NoPictures leaves them out.
	NoPictures Pictures = "none"
)

// packing is a delivery being made.
type packing struct {
	opt  Options
	job  *dataset.Checked
	dir  string // where it is made, until it is whole
	root *os.Root
	doc  *report.Pack

	names    map[string]string // photo of the job: photo of the delivery
	settings dataset.Settings  // of the delivery
	texts    map[string][]byte // settings and links of the delivery
	copies   map[string]string // file of the delivery: file of the job
	baseline *baseline.Baseline
	accepted []baseline.Accepted // of the job
}

// ErrNotCopied: a photo could not be copied as it was judged, since it was changed or
// replaced in the meantime, say.
var ErrNotCopied = errors.New("nothing was packed")

// Pack makes a delivery of a checked job, which must have been opened as a folder.
// See the package comment for what is in it.
//
// Where findings at or above FailOn are not accepted, in the job or in the
// delivery when it is checked in turn, nothing is packed unless Override is set:
// the document then has Packed false and the findings in Standing, and the error
// is nil. A *dataset.StopError says that the points may be wrong as a whole, which
// Override overrules too, and ErrNotCopied that a photo is not what was judged. On an
// error, or when the context is cancelled, nothing is left behind; after a kill, a folder beside Into that begins with a dot and ends in .packing.
func Pack(ctx context.Context, job *dataset.Checked, opt Options) (*report.Pack, error) {
	p := &packing{opt: opt, job: job}
	if p.opt.Template == nil {
		t, err := ParseTemplate(DefaultTemplate)
		if err != nil {
			return nil, err
		}
		p.opt.Template = t
	}
	if p.opt.MaxOnFile <= 0 {
		p.opt.MaxOnFile = MaxOnFile
	}
	if p.opt.Progress == nil {
		p.opt.Progress = func(string) (dataset.Progress, func()) { return nil, func() {} }
	}
	if !opt.DryRun {
		if opt.Into == "" {
			return nil, errors.New("say which folder the delivery goes into")
		}
		if err := job.Dataset().GuardFolder(opt.Into); err != nil {
			return nil, err
		}
	}
	p.doc = &report.Pack{Job: opt.Title, Into: opt.Into, DryRun: opt.DryRun, Tool: p.tool(), Time: opt.Time, Template: p.opt.Template.String(),
		Position: opt.Policy.Meaning.String(), Only: slices.Clone(opt.Policy.Only), Contradicted: opt.Policy.Contradicted, FailOn: cmp.Or(string(opt.FailOn), "never"),
		DespiteFindings: opt.Override, Standing: []match.Finding{}, Photos: []report.PackedPhoto{}}
	if len(p.doc.Only) == 0 {
		p.doc.Only = match.DefaultOnly
	}
	outcome := opt.Baseline.Apply(job.Findings(), opt.Today)
	p.accepted = outcome.Accepted
	p.doc.Standing, p.doc.Accepted = p.standing(outcome), len(outcome.Accepted)
	if !opt.Override && !opt.DryRun {
		if len(p.doc.Standing) > 0 {
			return p.doc, nil
		}
		if err := job.Stopped(); err != nil {
			return nil, err
		}
	}
	err := p.ordinary()
	if err != nil {
		return nil, err
	}
	if p.doc.LeftOut, err = job.Dataset().Rest(ctx); err != nil {
		return nil, err
	}
	if err := p.rename(ctx); err != nil {
		return nil, err
	}
	if opt.DryRun {
		return p.doc, nil
	}
	return p.doc, p.build(ctx)
}

func (p *packing) tool() string { return p.opt.Program + " " + p.opt.Version }

// check is Dataset.Check with its progress. photos are taken in place of those of
// the dataset.
func (p *packing) check(ctx context.Context, d *dataset.Dataset, opt dataset.CheckOptions, what string) (*dataset.Checked, error) {
	tell, done := p.opt.Progress(what)
	defer done()
	opt.Pixels, opt.Progress = p.opt.Pixels, tell
	return d.Check(ctx, opt)
}

// measured are the measures of the delivery's photos by their new names. Their pixels
// are those of the job's photos, as a correction changes nothing but metadata.
func (p *packing) measured() map[string]*pixels.Measures {
	was := make(map[string]*pixels.Measures, len(p.job.Photos))
	for i := range p.job.Photos {
		if m, ok := p.job.Photos[i].Pixels.(*pixels.Measures); ok {
			was[p.job.Photos[i].Name] = m
		}
	}
	all := make(map[string]*pixels.Measures, len(was))
	for _, ph := range p.doc.Photos {
		if m := was[ph.Source]; m != nil && ph.Sidecar == "" {
			now := *m
			if now.SHA256.UnmarshalText([]byte(ph.After)) == nil { // else it is measured
				all[ph.Photo] = &now
			}
		}
	}
	return all
}

// standing are the findings in the way.
func (p *packing) standing(o baseline.Outcome) []match.Finding {
	out := []match.Finding{}
	for _, f := range o.Kept {
		if p.opt.FailOn != "" && f.Severity.AtLeast(p.opt.FailOn) {
			out = append(out, f)
		}
	}
	return out
}

// mostProblems is how many photos of one kind are reported.
const mostProblems = 20

// ordinary refuses photos that can't be copied as files, or not under a name that
// the ledger can hold.
func (p *packing) ordinary() error {
	var errs []error
	more := 0
	bad := func(name, what, remedy string) {
		if len(errs) == mostProblems {
			more++
			return
		}
		errs = append(errs, &dataset.Problem{File: name, What: what, Remedy: remedy})
	}
	for i := range p.job.Photos {
		name := p.job.Photos[i].Name
		if !fs.ValidPath(name) || strings.ContainsRune(name, utf8.RuneError) {
			bad(strings.ToValidUTF8(name, "\uFFFD"), "the photo's name is not UTF-8", "rename it")
			continue
		}
		info, err := fs.Lstat(p.job.Dataset().FS(), name)
		var pe *fs.PathError
		if errors.As(err, &pe) {
			err = pe.Err
		}
		switch {
		case err != nil:
			bad(name, fmt.Sprintf("the photo can't be read: %v", err), "")
		case info.Mode()&fs.ModeSymlink != 0:
			bad(name, "the photo is a symbolic link", "put the file itself there: a delivery holds no links")
		case !info.Mode().IsRegular():
			bad(name, "the photo is no ordinary file", "take it out of the photo folder")
		}
	}
	if more > 0 {
		errs = append(errs, fmt.Errorf("and %d more photos that can't be packed", more))
	}
	return errors.Join(errs...)
}

// rename works out the names of the photos, the links by those names, and the
// settings.
func (p *packing) rename(ctx context.Context) error {
	points := make(map[string]*match.Point, len(p.job.Points))
	for i := range p.job.Points {
		points[p.job.Points[i].ID] = &p.job.Points[i].Point
	}
	named := make([]Named, len(p.job.Photos))
	for i := range p.job.Photos {
		r := &p.job.Photos[i]
		n := Named{Path: r.Name, Original: r.Original}
		if r.Tag != nil {
			n.Camera = strings.TrimSpace(cmp.Or(r.Tag.Serial, r.Tag.Make+" "+r.Tag.Model))
			n.Taken = r.Tag.When()
		}
		if r.Tie != nil {
			n.Tied, n.Point, n.Code = true, r.Tie.Point, points[r.Tie.Point].Code
		}
		named[i] = n
	}
	p.names = p.opt.Template.Names(named)
	for k, name := range p.names {
		p.names[k] = path.Join(photosFolder, name)
	}
	for i := range p.job.Photos {
		r := &p.job.Photos[i]
		ph := report.PackedPhoto{Photo: p.names[r.Name], Source: r.Name, Original: r.Original, Verdict: r.Verdict}
		if r.Tie != nil {
			ph.Point = r.Tie.Point
		}
		p.doc.Photos = append(p.doc.Photos, ph)
	}
	slices.SortFunc(p.doc.Photos, func(a, b report.PackedPhoto) int { return strings.Compare(a.Photo, b.Photo) })
	if err := p.layout(ctx); err != nil {
		return err
	}
	p.baseline = p.renamed(p.opt.Baseline, p.accepted)
	return nil
}

// renamed is a baseline by the names in the delivery. An entry about many photos has
// no meaning there: one for each finding that it accepts takes its place.
func (p *packing) renamed(b *baseline.Baseline, accepted []baseline.Accepted) *baseline.Baseline {
	if b == nil {
		return nil
	}
	out := &baseline.Baseline{}
	for _, e := range b.Entries {
		if !e.Wide() {
			out.Entries = append(out.Entries, e)
		}
	}
	for _, a := range accepted {
		if e := a.Entry; e.Wide() {
			e.Photo, e.Point, e.Cause, e.Max = a.Photo, a.Point, a.Cause, 0
			if !slices.Contains(out.Entries, e) {
				out.Entries = append(out.Entries, e)
			}
		}
	}
	for i := range out.Entries {
		e := &out.Entries[i]
		e.Photo = cmp.Or(p.names[e.Photo], e.Photo)
	}
	return out
}

// build makes the delivery beside its place and puts it there when it is whole.
func (p *packing) build(ctx context.Context) (err error) {
	into, err := filepath.Abs(p.opt.Into)
	if err != nil {
		return err
	}
	parent := filepath.Dir(into)
	if err := os.MkdirAll(parent, 0o755); err != nil {
		return err
	}
	if p.dir, err = os.MkdirTemp(parent, "."+filepath.Base(into)+".*.packing"); err != nil {
		return err
	}
	defer func() {
		if p.root != nil {
			err = errors.Join(err, p.root.Close())
		}
		if p.dir != "" {
			if rerr := os.RemoveAll(p.dir); rerr != nil {
				err = errors.Join(err, fmt.Errorf("the unfinished delivery could not be removed: %w", rerr))
			}
		}
	}()
	if err := os.Chmod(p.dir, 0o755); err != nil {
		return err
	}
	if p.root, err = os.OpenRoot(p.dir); err != nil {
		return err
	}
	stands, err := p.fill(ctx)
	if err != nil || stands {
		return err
	}
	if err := syncTree(p.root); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	return p.place(into, parent)
}

// place puts the finished folder in its place.
func (p *packing) place(into, parent string) error {
	err := p.root.Close()
	if p.root = nil; err != nil {
		return err
	}
	// An empty folder makes way; one that was filled meanwhile does not.
	if err := os.Remove(into); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := os.Rename(p.dir, into); err != nil {
		return err
	}
	p.dir, p.doc.Packed = "", true
	root, err := os.OpenRoot(parent)
	if err != nil {
		return err
	}
	return errors.Join(ledger.SyncFolder(root, "."), root.Close())
}

// fill writes all that is in the delivery. stands says that findings of the
// delivery itself are in the way.
func (p *packing) fill(ctx context.Context) (stands bool, err error) {
	for _, name := range sortedKeys(p.copies) {
		if err := p.copy(name, p.copies[name]); err != nil {
			return false, err
		}
	}
	for _, name := range sortedKeys(p.texts) {
		if err := p.text(name, p.texts[name]); err != nil {
			return false, err
		}
	}
	if err := p.correct(ctx); err != nil {
		return false, err
	}
	d, err := dataset.Open(ctx, p.dir, p.job.Dataset().Opener())
	if err != nil {
		return false, fmt.Errorf("the delivery can't be opened: %w", err)
	}
	defer d.Close()
	j, err := p.judge(ctx, d)
	if err != nil {
		return false, err
	}
	accepted, err := p.prove(ctx, d)
	if err != nil {
		return false, err
	}
	if len(p.doc.Standing)+len(p.doc.Delivery.Standing) > 0 && !p.opt.Override {
		return true, nil
	}
	if err := p.formats(ctx, j, len(accepted.Entries) > 0); err != nil {
		return false, err
	}
	return false, p.close(ctx, accepted)
}

// correct copies the photos, corrected or as they are, with the ledger.
func (p *packing) correct(ctx context.Context) error {
	tell, done := p.opt.Progress("copying photos")
	defer done()
	at := make(map[string]int, len(p.doc.Photos))
	for i := range p.doc.Photos {
		at[p.doc.Photos[i].Source] = i
	}
	n := 0
	opt := dataset.CorrectOptions{Policy: p.opt.Policy, Override: true, Sidecars: p.opt.Sidecars, Label: p.opt.Label, Relabel: p.opt.Relabel, Into: p.dir, Tool: p.tool(),
		As:    func(photo string) string { return p.names[photo] },
		Clock: func() time.Time { return p.opt.Time }}
	for c, err := range p.job.Correct(ctx, opt) {
		if errors.Is(err, dataset.ErrReplaced) {
			return fmt.Errorf("%w: %w", ErrNotCopied, err)
		}
		if err != nil {
			return err
		}
		if c.After == "" {
			return fmt.Errorf("%w: %w", ErrNotCopied, &dataset.Problem{File: c.Photo, What: "the photo could not be copied: " + c.Why, Remedy: "mend that, or take it out of the photo folder"})
		}
		ph := &p.doc.Photos[at[c.Photo]]
		if c.Sidecar != "" {
			ph.Sidecar = dataset.SidecarAs(c.Photo, ph.Photo, c.Sidecar)
		}
		ph.Outcome, ph.Why, ph.Before, ph.After, ph.Notes = c.Outcome, c.Why, c.Before, c.After, c.Notes
		if n++; tell != nil {
			tell(n, len(p.doc.Photos))
		}
	}
	if n != len(p.doc.Photos) {
		return fmt.Errorf("%d of %d photos were copied", n, len(p.doc.Photos))
	}
	return nil
}

// prove checks the delivery as whoever gets it will, and holds it against the job.
// It returns the entries of the baseline that are of use there.
func (p *packing) prove(ctx context.Context, d *dataset.Dataset) (*baseline.Baseline, error) {
	res, err := p.check(ctx, d, dataset.CheckOptions{Measured: p.measured()}, "checking the delivery")
	if err != nil {
		return nil, err
	}
	if err := p.same(res.Result); err != nil {
		return nil, err
	}
	o := p.baseline.Apply(res.Findings(), p.opt.Today)
	p.doc.Delivery = &report.PackedCheck{Counts: res.Counts, Standing: p.standing(o), Accepted: len(o.Accepted)}
	used := &baseline.Baseline{}
	for _, a := range o.Accepted {
		if a.Entry.Decided == "" && !slices.ContainsFunc(used.Entries, func(e baseline.Entry) bool {
			return e.Code == a.Entry.Code && e.Photo == a.Entry.Photo && e.Point == a.Entry.Point && e.Cause == a.Entry.Cause
		}) {
			used.Entries = append(used.Entries, a.Entry)
		}
	}
	return used, nil
}

// same makes sure that a result by the names of the delivery has the photos and
// the ties of the job.
func (p *packing) same(res *match.Result) error {
	ties := make(map[string]string, len(p.doc.Photos))
	for i := range p.doc.Photos {
		ties[p.doc.Photos[i].Photo] = p.doc.Photos[i].Point
	}
	if len(res.Photos) != len(ties) {
		return fmt.Errorf("the delivery has %d photos and the job %d", len(res.Photos), len(ties))
	}
	for i := range res.Photos {
		r := &res.Photos[i]
		point := ""
		if r.Tie != nil {
			point = r.Tie.Point
		}
		if want, ok := ties[r.Name]; !ok || want != point {
			return &dataset.Problem{File: linksFile, What: fmt.Sprintf("in the delivery the links tie %s to %q, and in the job to %q", r.Name, point, want),
				Remedy: "take links that lead to no photo out of the job"}
		}
	}
	return nil
}

// close writes what sums the delivery up.
func (p *packing) close(ctx context.Context, accepted *baseline.Baseline) error {
	if len(accepted.Entries) > 0 {
		if err := p.write(AcceptedFile, accepted.Write); err != nil {
			return err
		}
	}
	if err := p.write(readmeFile, p.readme(len(accepted.Entries) > 0)); err != nil {
		return err
	}
	inside := *p.doc
	inside.Into, inside.Packed = "", true
	if err := p.write(PackFile, func(w io.Writer) error { return report.Print(w, report.FormatJSON, inside) }); err != nil {
		return err
	}
	if err := p.sums(ctx); err != nil || p.opt.Key == nil {
		return err
	}
	return p.sign()
}

// syncTree makes what is written durable, files by themselves and folders after
// what is in them.
func syncTree(root *os.Root) error {
	var folders []string
	err := fs.WalkDir(root.FS(), ".", func(name string, e fs.DirEntry, err error) error {
		if err == nil && e.IsDir() {
			folders = append(folders, name)
		}
		return err
	})
	if err != nil {
		return err
	}
	for _, name := range slices.Backward(folders) {
		if err := ledger.SyncFolder(root, name); err != nil {
			return err
		}
	}
	return nil
}

package dataset

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"os"
	"path"
	"reflect"
	"slices"
	"time"

	"example.com/phototie/geotag"
	"example.com/phototie/geotag/ledger"
	"example.com/phototie/match"
)

// CorrectOptions say what Correct may do, and where.
type CorrectOptions struct {
	Policy match.Policy
	// Into is the folder that gets the corrected copies, together with copies of
	// all else that makes a dataset: the settings, the points, the links and the
	// photos that are left as they are, their side-cars, and all else that lies
	// among them. It is made where it is not there.
	Into string
	// InPlace changes the photos themselves. Exactly one of Into and InPlace
	// must be set, unless DryRun is.
	InPlace bool
	// DryRun works everything out and writes nothing.
	DryRun bool
	// Tool is the program and version that the ledger names.
	Tool string
	// Override writes where Checked.Stopped says not to.
	Override bool
	// Sidecars corrects, with a photo that is no raw one, the positions that its
	// side-car files state.
	Sidecars bool
	// Label labels each photo that is corrected with its point, by the templates of the
	// settings; Relabel replaces what is there.
	Label, Relabel bool
	points         map[string]*match.Point // to label by
	// As, with Into, gives the path of each photo's copy; nil keeps the names. No
	// two may be the same. Photos and their side-cars alone are copied then: the
	// settings and links of the dataset would not fit the copies. See Rest.
	As func(photo string) string
	// Ledger, where not nil, is called with what the ledger had lost when it was opened,
	// before anything is written.
	Ledger func(ledger.Outcome)
	// Clock, where not nil, gives the times that the ledger's records carry; the
	// zero time leaves them out. See ledger.Ledger's SetClock.
	Clock func() time.Time
}

// ChangeOutcome says what became of one photo.
type ChangeOutcome string

// The outcomes.
const (
	// Corrected: the photo has its new tag (in a dry run: would have).
	Corrected ChangeOutcome = "corrected"
	// Unchanged: it said so already.
	Unchanged ChangeOutcome = "unchanged"
	// Left: the policy, the tie or the survey gives no new tag for it.
	Left ChangeOutcome = "left"
	// Refused: the image can't take the new tag without harm.
	Refused ChangeOutcome = "refused"
)

// Change is one photo's correction, made or left.
type Change struct {
	match.Correction
	Outcome ChangeOutcome `json:"outcome"`
	// From is the position that the photo had, nil where it had none.
	From *geotag.Position `json:"from,omitempty"`
	// Moved is how far the tag lay from the point, in metres; nil where that is
	// not known.
	Moved *float64 `json:"moved_m,omitempty"`
	// Sidecar is the side-car file that the new tag of a raw photo stands in, or
	// is to; the photo itself is left alone. Empty for other photos.
	Sidecar string `json:"sidecar,omitempty"`
	// Grows is by how many bytes the file grows.
	Grows int64 `json:"grows_bytes"`
	// Before and After are the SHA-256 of the file, where it was written. Before
	// is that of no bytes where a side-car was created.
	Before string `json:"sha256_before,omitempty"`
	After  string `json:"sha256_after,omitempty"`
	// Notes are what a user should know about the write.
	Notes []string `json:"notes,omitempty"`
}

// Restore opens the ledger of a folder and takes photos back to the bytes they
// had before their first correction; see ledger.Ledger's Restore. With no names
// all photos on record are restored.
func Restore(ctx context.Context, dir, tool string, names []string, dryRun bool) iter.Seq2[ledger.Outcome, error] {
	return func(yield func(ledger.Outcome, error) bool) {
		open := func(root *os.Root) (*ledger.Ledger, error) { return ledger.Open(root, tool) }
		if dryRun {
			open = ledger.OpenRead // which writes nothing
		}
		err := withLedger(dir, open, func(l *ledger.Ledger) error {
			if len(names) == 0 && len(l.Photos()) == 0 {
				return &Problem{File: ledger.FileName, What: "no correction is on record in " + dir,
					Remedy: "name the folder that was corrected: with --into that is the folder of the copies, whose originals were never touched"}
			}
			names, err := sidecarNames(l, names)
			if err != nil {
				return err
			}
			for o, err := range l.Restore(ctx, names, dryRun) {
				if !yield(o, err) {
					return nil
				}
			}
			return nil
		})
		if err != nil {
			yield(ledger.Outcome{}, err)
		}
	}
}

// withLedger opens the ledger of a folder for as long as f runs.
func withLedger(dir string, open func(*os.Root) (*ledger.Ledger, error), f func(*ledger.Ledger) error) error {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	l, err := open(root)
	if err != nil {
		return err
	}
	return errors.Join(f(l), l.Close())
}

// Correct writes the corrections of the photos, unless Stopped gives an error, and
// yields a Change for each photo as it goes. It ends with the first error that is not about one
// photo alone: a full disk, a locked ledger, a cancelled context. The photos
// already written stay, and are on record.
func (c *Checked) Correct(ctx context.Context, opt CorrectOptions) iter.Seq2[Change, error] {
	return func(yield func(Change, error) bool) {
		stop := errors.New("stop")
		err := c.correct(ctx, opt, func(ch Change) error {
			if !yield(ch, nil) {
				return stop
			}
			return nil
		})
		if err != nil && !errors.Is(err, stop) {
			yield(Change{}, err)
		}
	}
}

func (c *Checked) correct(ctx context.Context, opt CorrectOptions, yield func(Change) error) error {
	if err := c.d.MayCorrect(opt); err != nil {
		return err
	}
	if !opt.Override {
		if err := c.Stopped(); err != nil {
			return err
		}
	}
	corrections, err := match.Corrections(ctx, c.d.proj, c.Result, c.opt, opt.Policy)
	if err != nil {
		return err
	}
	if opt.Label {
		opt.points = make(map[string]*match.Point, len(c.Points))
		for i := range c.Points {
			opt.points[c.Points[i].ID] = &c.Points[i].Point
		}
	}
	if opt.DryRun {
		return c.rehearse(ctx, corrections, opt, yield)
	}
	dir := c.d.root.Name()
	var files []string // copied as they are
	if opt.Into != "" {
		if err := os.MkdirAll(opt.Into, 0o755); err != nil {
			return err
		}
		dir = opt.Into
		if opt.As == nil {
			rest, err := c.d.Rest(ctx)
			if err != nil {
				return err
			}
			files = append(c.d.Files(), rest...)
		}
	}
	return withLedger(dir, opt.open, func(l *ledger.Ledger) error {
		return c.write(ctx, l, files, corrections, opt, yield)
	})
}

// MayCorrect refuses options that make no sense, and copies into a folder that lies in
// the dataset or holds it. Correct asks it too; before a check it spares the user the
// reading of the photos.
func (d *Dataset) MayCorrect(opt CorrectOptions) error {
	switch {
	case d.root == nil:
		return errors.New("only a dataset that was opened as a folder can be corrected")
	case !opt.DryRun && (opt.Into != "") == opt.InPlace:
		return errors.New("say whether the photos are to be corrected into another folder or in place")
	case opt.As != nil && opt.Into == "":
		return errors.New("only copies can have other names: say into which folder they go")
	case opt.InPlace && d.archive != nil:
		return &Problem{File: d.archive.file, What: "photos in a ZIP can't be corrected in place", Remedy: "write corrected copies into a folder with --into, or unpack it and name its folder"}
	case opt.Into != "":
		return d.apart(opt.Into)
	}
	return nil
}

// open opens the ledger of a folder, and tells of what it has lost.
func (opt *CorrectOptions) open(root *os.Root) (*ledger.Ledger, error) {
	l, err := ledger.Open(root, opt.Tool)
	if err != nil {
		return nil, err
	}
	if opt.Clock != nil {
		l.SetClock(opt.Clock)
	}
	repairs := l.Repairs()
	for _, o := range repairs.Losses() {
		if opt.Ledger != nil {
			opt.Ledger(o)
		}
	}
	return l, nil
}

// rehearse yields what would be done.
func (c *Checked) rehearse(ctx context.Context, corrections []match.Correction, opt CorrectOptions, yield func(Change) error) error {
	for i, one := range corrections {
		if err := ctx.Err(); err != nil {
			return err
		}
		p, err := c.planOne(&c.Photos[i], one, opt)
		if err != nil {
			return err
		}
		if err := yield(p.change); err != nil {
			return err
		}
	}
	return nil
}

// planned is what is to be done for a photo: tasks of the ledger, none where all
// is done.
type planned struct {
	change Change
	tasks  []ledger.Task
	main   int        // the task whose result is that of the photo
	left   int        // tasks that are not done
	before []*planned // photos just before it that have no tasks
	err    error
	result ledger.Result
}

// take notes what became of the next task, and reports whether it was the last.
func (p *planned) take(r ledger.Result, err error) bool {
	if len(p.tasks)-p.left == p.main {
		p.result = r
	}
	p.err = cmp.Or(p.err, err)
	p.left--
	return p.left == 0
}

// finish gives what became of the photo, or an error that is not about it alone.
func (p *planned) finish() (Change, error) {
	ch := p.change
	if errors.Is(p.err, ledger.ErrNotRegular) || errors.Is(p.err, ledger.ErrName) || errors.Is(p.err, ledger.ErrFolder) || errors.Is(p.err, ledger.ErrChanged) {
		ch.Outcome, ch.Why = Refused, p.err.Error()
		return ch, nil
	}
	if p.err != nil || len(p.tasks) == 0 {
		return ch, p.err
	}
	ch.Notes = append(ch.Notes, p.result.Notes...)
	ch.Before, ch.After = p.result.Record.Before, p.result.Record.After
	if ch.Outcome == Corrected && !p.result.Written {
		ch.Outcome = Unchanged
	}
	return ch, nil
}

// write copies files of the dataset and then writes the corrections, all in one
// go, and yields a Change for each correction. The patches are worked out while
// earlier ones are written.
func (c *Checked) write(ctx context.Context, l *ledger.Ledger, files []string, corrections []match.Correction, opt CorrectOptions, yield func(Change) error) error {
	// These are the tasks', until all are handed out.
	var idle []*planned
	var failed error
	tasks := func(yield func(ledger.Task) bool) {
		for _, name := range files {
			if !yield(ledger.Task{Change: ledger.Change{Photo: name}, From: c.d.root}) {
				return
			}
		}
		for i, one := range corrections {
			p, err := c.planOne(&c.Photos[i], one, opt)
			if failed = err; err != nil {
				return
			}
			if len(p.tasks) == 0 {
				idle = append(idle, p)
				continue
			}
			p.before, idle = idle, nil
			for _, t := range p.tasks {
				t.For = p
				if !yield(t) {
					return
				}
			}
		}
	}
	tell := func(photos []*planned) error {
		for _, p := range photos {
			ch, err := p.finish()
			if err == nil {
				err = yield(ch)
			}
			if err != nil {
				return err
			}
		}
		return nil
	}
	for r, err := range l.Bulk(ctx, tasks) {
		p, ofPhoto := r.For.(*planned)
		switch {
		case !ofPhoto && err != nil:
			return err
		case ofPhoto && p.take(r, err):
			if err := tell(append(p.before, p)); err != nil {
				return err
			}
		}
	}
	return cmp.Or(tell(idle), failed, ctx.Err())
}

// planOne works out what is to be done for one photo.
func (c *Checked) planOne(p *match.PhotoResult, cor match.Correction, opt CorrectOptions) (*planned, error) {
	w := writing{c: c, p: p, cor: cor, opt: opt, as: p.Name, file: p.Name, from: c.d.root}
	if opt.InPlace {
		w.from = nil
	}
	if opt.As != nil {
		w.as = opt.As(p.Name)
	}
	ch, err := w.change()
	if err != nil {
		return nil, err
	}
	if opt.Sidecars && cor.Edit != nil && !isRaw(p.Name) && ch.Outcome != Refused {
		if w.beside, err = c.d.sidecarEdits(p.Name, *cor.Edit); err != nil {
			return nil, err
		}
		for _, t := range w.beside {
			ch.Notes = append(slices.Clip(ch.Notes), "its side-car "+path.Base(t.Photo)+" is corrected with it")
		}
	}
	if opt.DryRun {
		return &planned{change: ch}, nil
	}
	return w.tasks(ch)
}

// writing is a photo whose correction is being worked out.
type writing struct {
	c   *Checked
	p   *match.PhotoResult
	cor match.Correction
	opt CorrectOptions

	as       string        // the photo's name where it is written
	file     string        // what is corrected: the photo, or the side-car of a raw one
	create   bool          // file is not there yet
	patch    *geotag.Patch // of file
	labelled bool          // the patch labels it
	beside   []ledger.Task // corrections of side-cars that only go with the photo
	from     *os.Root      // where copies are from; nil in place
}

// change works out the patch, and what is to become of the photo.
func (w *writing) change() (Change, error) {
	ch := Change{Correction: w.cor, Outcome: Left}
	if w.p.Tag != nil {
		ch.From = w.p.Tag.Position
	}
	if d := w.p.Discrepancy; d != nil {
		m := d.Distance * d.Unit.Metres
		ch.Moved = &m
	}
	if w.cor.Edit == nil && w.opt.As == nil {
		return ch, nil
	}
	if err := w.c.unchanged(w.p); err != nil {
		if w.opt.As != nil {
			// All that is said of a photo in a delivery is of the bytes beside it.
			return ch, fmt.Errorf("%s: %w", w.p.Name, err)
		}
		ch.Outcome, ch.Why = Refused, err.Error()
		return ch, nil
	}
	if w.cor.Edit == nil {
		return ch, nil
	}
	var err error
	if isRaw(w.p.Name) {
		w.file, w.create, w.patch, err = w.c.d.sidecarPlan(w.p.Name, *w.cor.Edit)
		ch.Sidecar = w.file
	} else {
		w.patch, err = w.c.d.plan(w.file, *w.cor.Edit)
	}
	var notes []string
	if err == nil {
		notes, err = w.label()
	}
	switch {
	case err == nil && w.patch.Empty():
		ch.Outcome, ch.Notes = Unchanged, notes
	case err == nil:
		ch.Outcome, ch.Notes = Corrected, append(slices.Clip(w.patch.Notes), notes...)
		ch.Grows = w.patch.SizeAfter() - w.patch.SizeBefore
	case geotag.AboutImage(err), w.opt.As == nil && errors.Is(err, ErrReplaced):
		ch.Outcome, ch.Why = Refused, err.Error()
	default:
		return ch, fmt.Errorf("%s: %w", w.p.Name, err)
	}
	return ch, nil
}

// reason is what the ledger says of a correction; photo is the one that a side-car
// belongs to.
func (w *writing) reason(photo string) map[string]string {
	r := map[string]string{"point": w.cor.Point, "verdict": string(w.cor.Verdict)}
	if d := w.p.Decision; d != nil && d.Stale == "" {
		r["decision"], r["decided_by"], r["decided"] = d.String(), d.By, d.When
	}
	if photo != "" {
		r[reasonPhoto] = photo
	} else if w.labelled {
		r["labelled"] = w.cor.Point
	}
	return r
}

// tasks are the ledger's: a copy of the photo where it stays as it is, its
// side-cars, corrected or copied, and its own correction last.
func (w *writing) tasks(ch Change) (*planned, error) {
	name, corrected := w.p.Name, ch.Outcome == Corrected
	out := &planned{change: ch, main: -1}
	if w.opt.Into != "" && (!corrected || w.file != name) {
		left := ledger.Change{Judged: w.c.files[name]}
		left.Photo, left.Source = renamed(name, w.as, name)
		out.main = 0
		out.tasks = append(out.tasks, ledger.Task{Change: left, From: w.from})
	}
	var edited []string
	for _, t := range w.beside {
		edited = append(edited, t.Photo)
		t.Photo, t.Source = renamed(name, w.as, t.Photo)
		t.From, t.Follows, t.Meaning, t.Reason = w.from, true, w.opt.Policy.Meaning, w.reason(w.as)
		out.tasks = append(out.tasks, t)
	}
	if w.opt.Into != "" {
		if corrected && w.file != name {
			edited = append(edited, w.file)
		}
		copies, err := w.c.d.sidecarCopies(name, w.as, edited)
		if err != nil {
			return nil, err
		}
		out.tasks = append(out.tasks, copies...)
	}
	if corrected {
		t := ledger.Task{Change: ledger.Change{Patch: w.patch, Meaning: w.opt.Policy.Meaning}, From: w.from, New: w.create, Follows: true}
		t.Photo, t.Source = renamed(name, w.as, w.file)
		if w.file == name {
			t.Judged, t.Reason = w.c.files[name], w.reason("")
		} else {
			t.Reason = w.reason(w.as)
		}
		if w.create {
			t.Source, t.From = "", nil
		}
		out.main = len(out.tasks)
		out.tasks = append(out.tasks, t)
	}
	if len(out.tasks) > 0 {
		out.tasks[0].Follows = false
	}
	out.left = len(out.tasks)
	return out, nil
}

// sidecarEdits are the tasks that correct the side-cars of a photo that state a
// position, by their names in the dataset.
func (d *Dataset) sidecarEdits(photo string, e geotag.Edit) ([]ledger.Task, error) {
	found, err := d.sidecarsOf(photo)
	if err != nil {
		return nil, err
	}
	var out []ledger.Task
	for _, file := range found {
		tag, _, err := d.readTag(file)
		if err != nil || tag.Position == nil {
			continue // it states none; heldAgainstSidecars tells of one that can't be read
		}
		patch, err := d.plan(file, e)
		switch {
		case err == nil && !patch.Empty():
			out = append(out, ledger.Task{Change: ledger.Change{Photo: file, Patch: patch}})
		case err != nil && !geotag.AboutImage(err):
			return nil, fmt.Errorf("%s: %w", file, err)
		}
	}
	return out, nil
}

// plan works out the patch of a photo.
func (d *Dataset) plan(name string, e geotag.Edit) (*geotag.Patch, error) {
	img, err := d.openImage(name)
	if err != nil {
		return nil, err
	}
	defer img.close()
	return geotag.Plan(img.r, img.size, e)
}

// ErrReplaced: a photo is not the one that its verdict is about.
var ErrReplaced = errors.New("it is not the photo any more that was judged: it was replaced or written to since; check again")

// unchanged makes sure that a photo is what it was when it was judged: the same
// file, as old and as large, with the same tag.
func (c *Checked) unchanged(p *match.PhotoResult) error {
	was := c.files[p.Name]
	if was == nil {
		return nil // it could not be opened, or the caller brought it
	}
	tag, now, err := c.d.readTag(p.Name)
	if now == nil {
		return fmt.Errorf("%w: it can't be read: %w", ErrReplaced, err)
	}
	if !os.SameFile(was, now) || was.Size() != now.Size() || !was.ModTime().Equal(now.ModTime()) || !reflect.DeepEqual(tag, p.Tag) {
		return ErrReplaced
	}
	return nil
}

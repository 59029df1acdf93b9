package ledger

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"path"
	"slices"
	"strings"
)

// Status says how a photo came out of Restore.
type Status string

const (
	// Restored: the photo has its original bytes again (in a dry run: would
	// have).
	Restored Status = "restored"
	// Original: the photo has its original bytes already; of a file that phototie
	// created, it is not there.
	Original Status = "original"
	// Partly: something else changed the photo between two corrections. It has
	// now (in a dry run: would have) the earliest bytes that can be rebuilt,
	// those after that change; the ones before it are not on record.
	Partly Status = "partly"
	// Changed: the photo has bytes that the ledger does not know, since
	// something else changed it after the last correction. It was left alone.
	Changed Status = "changed"
	// Missing: there is no such file.
	Missing Status = "missing"
	// Unrecorded: the ledger has no record of a photo of this name.
	Unrecorded Status = "unrecorded"
	// Failed: see the error. The photo has the bytes it had.
	Failed Status = "failed"
	// Incomplete: the ledger has lost a record, of this photo if it is named, and
	// else of any; see the notes. No photo was touched.
	Incomplete Status = "incomplete"
)

// Outcome is what became of one photo.
type Outcome struct {
	Photo  string `json:"photo"`
	Status Status `json:"status"`
	// Was and Now are the SHA-256 found and left (in a dry run: to be left);
	// empty where the file was not read.
	Was string `json:"was,omitempty"`
	Now string `json:"now,omitempty"`
	// First is the SHA-256 before the first recorded change.
	First string `json:"first,omitempty"`
	// Steps is the number of corrections taken back.
	Steps int `json:"steps,omitempty"`
	// Notes are as in Result.
	Notes []string `json:"notes,omitempty"`
	// Removed says that there was no such file before the corrections, and that
	// there is none now (in a dry run: would be none). First, and Now where it
	// was removed by this call, are then the SHA-256 of no bytes.
	Removed bool `json:"removed,omitempty"`
	// RecordedAs is the name under which the bytes are on record that are here, where
	// that is another one: another photo was put here, or one was renamed.
	RecordedAs string `json:"recorded_as,omitempty"`
	// FoundAt is where the photo is now, by its bytes, if it is not in its place. It
	// is restored there by a Restore that names that place.
	FoundAt string `json:"found_at,omitempty"`
}

// Restore takes photos back to the bytes they had before their first recorded
// correction: a photo corrected in place gets the SHA-256 of its first record,
// a corrected copy the bytes of the source it was made from, and a file that
// a Task made New is removed. It follows the reverse patches from the bytes that the
// photo has now, checks the SHA-256 of what comes out, and writes in the same safe
// way as Do. Each photo restored is recorded in turn.
//
// Names are paths below the root; with none, all photos on record are restored.
// Each photo gives exactly one pair, in the order of names or of first record.
// An error (with Status Failed) concerns that photo only, and the next ones
// follow, until the context is done. A dry run does everything but write: it
// rebuilds the bytes and proves their SHA-256.
//
// A photo that was renamed, or whose place another one took, is known by its bytes:
// see Outcome.FoundAt and Outcome.RecordedAs. It is restored where it is if that
// place is among names. A ledger that has lost records gives pairs of their own
// before all others, with Status Incomplete.
func (l *Ledger) Restore(ctx context.Context, names []string, dryRun bool) iter.Seq2[Outcome, error] {
	return func(yield func(Outcome, error) bool) {
		for _, out := range l.repairs.Losses() {
			if !yield(out, nil) {
				return
			}
		}
		r := restorer{l: l, named: len(names) > 0, dryRun: dryRun}
		if !r.named {
			names = l.Photos()
		}
		for _, name := range names {
			out := Outcome{Photo: name}
			err := r.restore(ctx, &out)
			switch {
			case errors.Is(err, ErrChanged):
				out.Status, out.Now = Changed, ""
				out.Notes = append(out.Notes, err.Error())
				err = nil
			case err != nil:
				err = fmt.Errorf("photo %q: %w", name, err)
				out.Status, out.Now = Failed, out.Was
			}
			if !yield(out, err) || ctx.Err() != nil {
				return
			}
		}
	}
}

// Losses are the outcomes that Restore gives for what the ledger has lost, all with
// Status Incomplete.
func (r *Repairs) Losses() (all []Outcome) {
	if r.Torn != nil {
		all = append(all, r.Torn.outcome())
	}
	for _, line := range r.Gaps {
		all = append(all, Outcome{Photo: FileName, Status: Incomplete, Notes: []string{fmt.Sprintf(
			"records are missing before line %d: put back a whole copy of the file; without it, photos that those records name can't be restored", line)}})
	}
	return all
}

// restorer is one Restore.
type restorer struct {
	l             *Ledger
	named, dryRun bool
	found         *whereabouts // nil until it is needed
}

func (r *restorer) restore(ctx context.Context, out *Outcome) error {
	l := r.l
	if !r.dryRun && l.lock == nil {
		return ErrReadOnly
	}
	p := &pending{Task: Task{Change: Change{Photo: out.Photo}}}
	defer p.release()
	if p.claim(ctx, l); p.err != nil {
		return p.err
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	h := l.history(out.Photo)
	if h == nil && !r.named {
		out.Status = Unrecorded
		return nil
	}
	if h != nil {
		out.First = h[0].before.String()
	}
	src, err := openSource(l.root, out.Photo)
	if errors.Is(err, fs.ErrNotExist) {
		return r.missing(ctx, out, h)
	}
	if err != nil {
		return err
	}
	p.src, p.there, p.unchanged = src, src.info, src.unchanged
	now, err := src.digest(ctx)
	if err != nil {
		return err
	}
	out.Was, out.Now = now.String(), now.String()
	if !h.knows(now) {
		if h, err = r.stranger(ctx, out, h, now); h == nil || err != nil {
			return err
		}
	}
	return r.back(ctx, p, out, h, now)
}

// back takes a photo back as far as its history leads.
func (r *restorer) back(ctx context.Context, p *pending, out *Outcome, h history, now digest) error {
	way, target := h.back(now)
	switch {
	case !h.origin(target):
		out.Status = Partly
	case len(way) == 0:
		out.Status = Original
	default:
		out.Status = Restored
	}
	if len(way) == 0 {
		return nil
	}
	if err := mayChange(out.Photo); err != nil {
		return err
	}
	out.Steps, out.Removed = len(way), h.created(target)
	return r.rebuild(ctx, p, out, way, now, target)
}

// missing says what is known of a photo that is not there.
func (r *restorer) missing(ctx context.Context, out *Outcome, h history) (err error) {
	switch {
	case h == nil:
		out.Status = Unrecorded
	case h[0].created:
		out.Status, out.Removed = Original, true
	default:
		out.Status = Missing
		err = r.at(ctx, out, h)
	}
	return err
}

// stranger says what is known of a file whose bytes are not on record under its name,
// and gives the history to restore it by, if that is asked for.
func (r *restorer) stranger(ctx context.Context, out *Outcome, h history, now digest) (_ history, err error) {
	out.Status = Changed
	if h == nil {
		out.Status = Unrecorded
	}
	if err := r.look(ctx); err != nil {
		return nil, err
	}
	other, note := r.recorded(out, now)
	switch {
	case note != "":
		out.Notes = append(out.Notes, note)
	case other == nil:
	case r.named:
		out.First = other[0].before.String()
		return other, nil
	case other.origin(now):
		out.Status = Original
		return nil, nil
	default:
		out.Notes = append(out.Notes, fmt.Sprintf("what is here is on record as %s; name %s to restore it here", out.RecordedAs, out.Photo))
	}
	if h != nil {
		err = r.at(ctx, out, h)
	}
	return nil, err
}

// recorded finds the history of bytes that are on record under another name. Where
// they are so under several, with several ways back, the note says it and there is
// none: photos that differed may be the same once they are corrected.
func (r *restorer) recorded(out *Outcome, now digest) (h history, note string) {
	names := r.found.names[now]
	for i, name := range names {
		other := r.l.history(name)
		_, target := other.back(now)
		if i == 0 {
			h, out.RecordedAs = other, name
		} else if _, first := h.back(now); first != target {
			out.RecordedAs = ""
			return nil, fmt.Sprintf("what is here is on record as %s, which had different bytes before; give it the name that it had, to restore it", strings.Join(names, " and as "))
		}
	}
	return h, ""
}

// whereabouts are the files of a folder that are not where the ledger has them.
type whereabouts struct {
	names map[digest][]string // under which bytes are on record
	path  map[digest]string   // where bytes on record are, under another name
}

// at says where the photo is, if a file has bytes that are on record for it.
func (r *restorer) at(ctx context.Context, out *Outcome, h history) error {
	if err := r.look(ctx); err != nil {
		return err
	}
	for _, e := range slices.Backward(h) {
		for _, d := range []digest{e.after, e.before} {
			if at, ok := r.found.path[d]; ok && at != out.Photo {
				out.FoundAt = at
				out.Notes = append(out.Notes, fmt.Sprintf("by its bytes it is %s now; name that to restore it there", at))
				return nil
			}
		}
	}
	return nil
}

// onRecord is which photos have or had which contents, and the lengths of those.
func (l *Ledger) onRecord() (names map[digest][]string, sizes map[int64]bool) {
	names, sizes = map[digest][]string{}, map[int64]bool{}
	for _, photo := range l.Photos() {
		for _, e := range l.history(photo) {
			sizes[e.sizeBefore], sizes[e.sizeAfter] = true, true
			for _, d := range []digest{e.before, e.after} {
				if n := names[d]; len(n) == 0 || n[len(n)-1] != photo {
					names[d] = append(n, photo)
				}
			}
		}
	}
	delete(names, nothing) // empty files are no photo's
	return names, sizes
}

// look finds out what is where, once. It reads files of lengths that are on record.
func (r *restorer) look(ctx context.Context) error {
	if r.found != nil {
		return nil
	}
	l := r.l
	names, sizes := l.onRecord()
	w := &whereabouts{names: names, path: map[digest]string{}}
	var unread []string
	r.found = w
	return l.walk(".", &unread, func(name string) error {
		src, err := openSource(l.root, name)
		if mayChange(name) != nil || err != nil {
			return nil // what can't be read is nowhere
		}
		defer src.Close()
		if !sizes[src.info.Size()] {
			return nil
		}
		d, err := src.digest(ctx)
		if err == nil && w.names[d] != nil && !l.history(name).knows(d) {
			w.path[d] = name
		}
		return err
	})
}

// rebuild makes the bytes that the way leads to, proves them, and unless it is a dry
// run puts them into the photo's place.
func (r *restorer) rebuild(ctx context.Context, p *pending, out *Outcome, way []entry, now, target digest) error {
	l, src := r.l, p.src
	var view io.ReaderAt = src
	size := src.info.Size()
	for _, e := range way {
		rec, err := l.at(e)
		if err != nil {
			return err
		}
		if rec.Reverse.SizeBefore != size {
			return &LineError{Line: e.line, Err: fmt.Errorf("%w: the reverse patch is for %d bytes, not %d", ErrDamaged, rec.Reverse.SizeBefore, size)}
		}
		view, size = rec.Reverse.Through(view), rec.SizeBefore
	}
	result := ctxReader{ctx, io.NewSectionReader(view, 0, size)}
	var have digest
	var err error
	if r.dryRun {
		have, err = digestOf(result)
	} else if p.staged, err = l.temporary(out.Photo); err == nil {
		err = p.staged.pour(ctx, result, nil)
		have = p.staged.after.sum
		p.staged.before = content{now, src.info.Size()}
	}
	if err == nil && have != target {
		if err = src.unchanged(); err == nil {
			err = &LineError{Line: way[len(way)-1].line, Err: fmt.Errorf("%w: the reverse patch gives SHA-256 %s, not %s", ErrDamaged, have, target)}
		}
	}
	if err != nil {
		return err
	}
	if !r.dryRun {
		if err := l.putBack(ctx, p, out); err != nil {
			return err
		}
	}
	out.Now = target.String()
	return nil
}

// putBack puts a rebuilt photo into its place, or removes one that was not there.
func (l *Ledger) putBack(ctx context.Context, p *pending, out *Outcome) (err error) {
	p.record = l.record(ActionRestore, Change{Photo: out.Photo}, p.staged)
	if out.Removed {
		return l.remove(ctx, p)
	}
	if out.Notes, err = p.staged.attributes(p.src, true); err != nil {
		return err
	}
	if err = p.staged.sync(); err != nil {
		return err
	}
	l.commit(ctx, []*pending{p})
	return p.err
}

// created reports whether a state is that of a file that was not there.
func (h history) created(d digest) bool {
	return slices.ContainsFunc(h, func(e entry) bool { return e.created && e.before == d })
}

// remove puts the record on disk and removes the file.
func (l *Ledger) remove(ctx context.Context, p *pending) error {
	if err := p.staged.discard(); err != nil {
		return err
	}
	group := []*pending{p}
	if p.err = l.look(ctx, p); p.err != nil || l.enter(group) == 0 {
		return p.err
	}
	if err := p.unchanged(); err != nil {
		return err
	}
	// Where an open file can't be removed (Windows).
	err := p.src.Close()
	p.src = nil
	if err != nil {
		return err
	}
	if err := l.takeAway(p); err != nil {
		return err
	}
	l.mark("renamed", p.Photo)
	if err := syncDir(l.root, path.Dir(p.Photo)); err != nil {
		return fmt.Errorf("the file is removed, but its folder could not be synced, so that a power cut may still undo it: %w", err)
	}
	l.mark("done", p.Photo)
	return nil
}

// takeAway removes a file that is what it was: it is moved aside first, and back if it
// is another by then.
func (l *Ledger) takeAway(p *pending) error {
	aside := temporaryName(p.Photo)
	if err := l.root.Rename(p.Photo, aside); err != nil {
		return err
	}
	was, err := l.root.Lstat(aside)
	if err == nil && !sameState(p.there, was) {
		err = errChangedMeanwhile
	}
	if err != nil {
		back := l.root.move(aside, p.Photo, false)
		if errors.Is(back, errors.ErrUnsupported) {
			back = l.root.Rename(aside, p.Photo)
		}
		return errors.Join(err, back)
	}
	return l.root.Remove(aside)
}

// back finds the way from a known state to the earliest one that the reverse
// patches lead to: a breadth-first search, since a photo may have been corrected
// back and forth. The latest record of a step is taken.
func (h history) back(now digest) (way []entry, target digest) {
	first := map[digest]int{} // where a state first stands as before
	steps := map[digest][]int{}
	for i, e := range h {
		if _, ok := first[e.before]; !ok {
			first[e.before] = i
		}
		if e.action != ActionRestore && e.before != e.after {
			steps[e.after] = append(steps[e.after], i)
		}
	}
	rank := func(d digest) int {
		if i, ok := first[d]; ok {
			return i
		}
		return len(h)
	}
	from := map[digest]int{now: -1} // the entry that leads to a state
	target = now
	for queue := []digest{now}; len(queue) > 0; queue = queue[1:] {
		at := queue[0]
		if rank(at) < rank(target) {
			target = at
		}
		for _, i := range slices.Backward(steps[at]) {
			before := h[i].before
			if _, seen := from[before]; !seen {
				from[before] = i
				queue = append(queue, before)
			}
		}
	}
	for d := target; from[d] >= 0; {
		e := h[from[d]]
		way = append(way, e)
		d = e.after
	}
	slices.Reverse(way)
	return way, target
}

// origin reports whether a state is one that corrections started from: the
// first one on record, or the source of a copy.
func (h history) origin(d digest) bool {
	copied := func(e entry) bool { return e.action == ActionCopy && e.before == d }
	return len(h) > 0 && h[0].before == d || slices.ContainsFunc(h, copied)
}

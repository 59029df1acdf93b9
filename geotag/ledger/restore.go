package ledger

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"path"

	"example.com/phototie/geotag"
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
}

// Restore takes photos back to the bytes they had before their first recorded
// correction: a photo corrected in place gets the SHA-256 of its first record,
// a corrected copy the bytes of the source it was made from, and a file that
// Create made is removed. It follows the
// reverse patches from the bytes that the photo has now, checks the SHA-256 of
// what comes out, and writes in the same safe way as Correct. Each photo
// restored is recorded in turn.
//
// Names are paths below the root; with none, all photos on record are restored.
// Each photo gives exactly one pair, in the order of names or of first record.
// An error (with Status Failed) concerns that photo only, and the next ones
// follow, until the context is done. A dry run does everything but write: it
// rebuilds the bytes and proves their SHA-256.
func (l *Ledger) Restore(ctx context.Context, names []string, dryRun bool) iter.Seq2[Outcome, error] {
	return func(yield func(Outcome, error) bool) {
		if len(names) == 0 {
			names = l.Photos()
		}
		for _, name := range names {
			out := Outcome{Photo: name}
			err := l.restore(ctx, &out, dryRun)
			if err != nil {
				err = fmt.Errorf("photo %q: %w", name, err)
				out.Status = Failed
				out.Now = out.Was
			}
			if !yield(out, err) || ctx.Err() != nil {
				return
			}
		}
	}
}

func (l *Ledger) restore(ctx context.Context, out *Outcome, dryRun bool) error {
	p := &pending{step: step{Change: Change{Photo: out.Photo}}}
	defer p.release()
	if p.claim(ctx, l); p.err != nil {
		return p.err
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	h := l.history(out.Photo)
	if h == nil {
		out.Status = Unrecorded
		return nil
	}
	out.First = h.entries[0].before.String()
	src, err := openSource(l.root, out.Photo)
	if errors.Is(err, fs.ErrNotExist) {
		out.Status = Missing
		if h.entries[0].created {
			out.Status, out.Removed = Original, true
		}
		return nil
	}
	if err != nil {
		return err
	}
	p.src, p.unchanged = src, src.unchanged
	have := newMeter()
	if _, err := io.Copy(have, src.reader(ctx)); err != nil {
		return err
	}
	now := have.sum()
	out.Was, out.Now = now.String(), now.String()
	if !h.knows(now) {
		out.Status = Changed
		return nil
	}
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
	out.Steps = len(way)
	patches := make([]*geotag.Patch, len(way))
	for i, e := range way {
		rec, err := l.at(e)
		if err != nil {
			return err
		}
		patches[i] = rec.Reverse
	}
	rebuild := func(w io.Writer, r io.Reader) error {
		if err := applyAll(patches, w, r); err != nil {
			return fmt.Errorf("can't be rebuilt from line %d: %w", way[0].line, err)
		}
		return nil
	}
	proven := func(before, after digest) error {
		if before != now {
			return fmt.Errorf("%w while phototie was at it: run again", ErrChanged)
		}
		if after != target {
			last := way[len(way)-1]
			return &LineError{Line: last.line, Err: fmt.Errorf("%w: the reverse patch gives SHA-256 %s, not %s", ErrDamaged, after, target)}
		}
		return nil
	}
	if err := src.rewind(); err != nil {
		return err
	}
	out.Removed = h.created(target)
	if dryRun {
		before, after := newMeter(), newMeter()
		if err := rebuild(after, io.TeeReader(src.reader(ctx), before)); err != nil {
			return err
		}
		out.Now = target.String()
		return proven(before.sum(), after.sum())
	}
	tmp, err := l.temporary(out.Photo)
	if err != nil {
		return err
	}
	p.staged = tmp
	if err := tmp.pour(ctx, src.file, rebuild); err != nil {
		return err
	}
	if err := proven(tmp.before.sum, tmp.after.sum); err != nil {
		return err
	}
	p.record = Record{
		Version:    Version,
		Tool:       l.tool,
		Action:     ActionRestore,
		Photo:      out.Photo,
		Before:     now.String(),
		After:      target.String(),
		SizeBefore: tmp.before.size,
		SizeAfter:  tmp.after.size,
	}
	if out.Removed {
		err = l.remove(ctx, p)
	} else {
		if out.Notes, err = tmp.attributes(src, true); err != nil {
			return err
		}
		if err = tmp.sync(); err != nil {
			return err
		}
		l.commit(ctx, []*pending{p})
		err = p.err
	}
	if err != nil {
		return err
	}
	out.Now = target.String()
	return nil
}

// created reports whether a state is that of a file that was not there.
func (h *history) created(d digest) bool {
	for _, e := range h.entries {
		if e.created && e.before == d {
			return true
		}
	}
	return false
}

// remove puts the record on disk and removes the file.
func (l *Ledger) remove(ctx context.Context, p *pending) error {
	if err := p.staged.discard(); err != nil {
		return err
	}
	group := []*pending{p}
	if l.look(ctx, group) == 0 || l.enter(group) == 0 {
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
	if err := l.root.Remove(p.Photo); err != nil {
		return err
	}
	l.mark("renamed", p.Photo)
	if err := syncDir(l.root, path.Dir(p.Photo)); err != nil {
		return fmt.Errorf("the file is removed, but its folder could not be synced, so that a power cut may still undo it: %w", err)
	}
	l.mark("done", p.Photo)
	return nil
}

// back finds the way from a known state to the earliest one that the reverse
// patches lead to: a breadth-first search, since a photo may have been corrected
// back and forth. The latest record of a step is taken.
func (h *history) back(now digest) (way []entry, target digest) {
	first := map[digest]int{} // where a state first stands as before
	steps := map[digest][]entry{}
	for i, e := range h.entries {
		if _, ok := first[e.before]; !ok {
			first[e.before] = i
		}
		if e.action != ActionRestore && e.before != e.after {
			steps[e.after] = append(steps[e.after], e)
		}
	}
	rank := func(d digest) int {
		if i, ok := first[d]; ok {
			return i
		}
		return len(h.entries)
	}
	ways := map[digest][]entry{now: nil}
	target = now
	for queue := []digest{now}; len(queue) > 0; queue = queue[1:] {
		at := queue[0]
		if rank(at) < rank(target) {
			target = at
		}
		for i := len(steps[at]) - 1; i >= 0; i-- {
			e := steps[at][i]
			if _, seen := ways[e.before]; seen {
				continue
			}
			ways[e.before] = append(append([]entry(nil), ways[at]...), e)
			queue = append(queue, e.before)
		}
	}
	return ways[target], target
}

// origin reports whether a state is one that corrections started from: the
// first one on record, or the source of a copy.
func (h *history) origin(d digest) bool {
	for i, e := range h.entries {
		if (i == 0 || e.action == ActionCopy) && e.before == d {
			return true
		}
	}
	return false
}

// applyAll streams r through the patches, one after the other, to w.
func applyAll(patches []*geotag.Patch, w io.Writer, r io.Reader) error {
	last := len(patches) - 1
	done := make(chan struct{}, last)
	var stop *io.PipeReader
	for _, p := range patches[:last] {
		in, from := r, stop
		pr, pw := io.Pipe()
		go func() {
			err := p.Apply(pw, in)
			pw.CloseWithError(err)
			if from != nil {
				from.CloseWithError(err)
			}
			done <- struct{}{}
		}()
		r, stop = pr, pr
	}
	err := patches[last].Apply(w, r)
	if stop != nil {
		stop.CloseWithError(err)
	}
	for range last {
		<-done
	}
	return err
}

package demo

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"runtime"
	"sync"

	"golang.org/x/sync/errgroup"
)

// ErrNotEmpty is returned by Write for a folder that has something in it.
var ErrNotEmpty = errors.New("the folder is not empty; an example job is only written into an empty one")

// Write draws the photos of a job and writes the job into root, which must be
// an empty folder. progress, where it is not nil, is called after each photo
// with the number done and the number of all; calls come one at a time but not
// all from one goroutine. Where Write fails or ctx ends, it takes away what it
// has written.
func Write(ctx context.Context, root *os.Root, job *Job, progress func(done, total int)) (err error) {
	entries, err := fs.ReadDir(root.FS(), ".")
	if err != nil {
		return fmt.Errorf("demo: reading the folder: %w", err)
	}
	if len(entries) > 0 {
		return fmt.Errorf("%w (it has %s)", ErrNotEmpty, entries[0].Name())
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, takeAway(root))
		}
	}()
	for _, f := range []struct {
		name string
		data []byte
	}{
		{settingsName, job.Settings}, {pointsName, job.Points}, {linksName, job.Links}, {readMeName, job.ReadMe},
	} {
		if err := writeFile(root, f.name, f.data); err != nil {
			return err
		}
	}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	var mu sync.Mutex
	done := 0
	for i := range job.Photos {
		g.Go(func() error {
			if ctx.Err() != nil {
				return context.Cause(ctx)
			}
			p := &job.Photos[i]
			b, err := p.JPEG()
			if err == nil {
				err = writeFile(root, p.Name, b)
			}
			if err != nil {
				return err
			}
			mu.Lock()
			defer mu.Unlock()
			if done++; progress != nil {
				progress(done, len(job.Photos))
			}
			return nil
		})
	}
	return g.Wait()
}

// writeFile makes a new file and its folder; it never replaces one.
func writeFile(root *os.Root, name string, data []byte) error {
	if err := root.MkdirAll(path.Dir(name), 0o777); err != nil {
		return fmt.Errorf("demo: making %s: %w", path.Dir(name), err)
	}
	f, err := root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return fmt.Errorf("demo: making %s: %w", name, err)
	}
	_, err = f.Write(data)
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("demo: writing %s: %w", name, err)
	}
	return nil
}

// takeAway takes away what Write makes in a folder that was empty before.
func takeAway(root *os.Root) error {
	var errs []error
	for _, name := range []string{settingsName, pointsName, linksName, readMeName, "photos"} {
		if err := root.RemoveAll(name); err != nil {
			errs = append(errs, fmt.Errorf("demo: taking %s away again: %w", name, err))
		}
	}
	return errors.Join(errs...)
}

package delivery

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"io/fs"
	"runtime"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"
)

// SumsFile is the name of the manifest at the top of a delivery.
const SumsFile = "SHA256SUMS"

// escapes are those of GNU sha256sum: a name that has such a character is written
// with escapes, and its line begins with a backslash. Source: GNU coreutils
// manual, "cksum output modes" and "md5sum invocation" (from memory); tested
// against the program.
var escapes = strings.NewReplacer(`\`, `\\`, "\n", `\n`, "\r", `\r`)

// sumLine is the line of one file.
func sumLine(sum [sha256.Size]byte, name string) string {
	if escaped := escapes.Replace(name); escaped != name {
		return fmt.Sprintf("\\%x  %s\n", sum, escaped)
	}
	return fmt.Sprintf("%x  %s\n", sum, name)
}

// WriteSums writes the SHA-256 of every file below the top of fsys except SumsFile
// itself and SignatureFile, one a line by name in byte order, in the format that `sha256sum -c`
// reads. What is neither a file nor a folder is an error.
func WriteSums(ctx context.Context, w io.Writer, fsys fs.FS, progress func(done, total int)) error {
	sums, err := sumsOf(ctx, fsys, progress)
	if err != nil {
		return err
	}
	for _, name := range sortedKeys(sums) {
		if _, err := io.WriteString(w, sumLine(sums[name], name)); err != nil {
			return err
		}
	}
	return nil
}

// sumsOf has the SHA-256 of every file but SumsFile and SignatureFile.
func sumsOf(ctx context.Context, fsys fs.FS, progress func(done, total int)) (map[string][sha256.Size]byte, error) {
	var names []string
	err := fs.WalkDir(fsys, ".", func(name string, e fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case e.IsDir() || name == SumsFile || name == SignatureFile:
			return nil
		case !e.Type().IsRegular():
			return &fs.PathError{Op: "sum", Path: name, Err: fmt.Errorf("it is no ordinary file (%s)", e.Type())}
		}
		names = append(names, name)
		return nil
	})
	if err != nil {
		return nil, err
	}
	sums := make(map[string][sha256.Size]byte, len(names))
	var mu sync.Mutex
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for _, name := range names {
		g.Go(func() error {
			sum, err := sumOf(gctx, fsys, name)
			mu.Lock()
			defer mu.Unlock()
			if sums[name] = sum; progress != nil && err == nil {
				progress(len(sums), len(names))
			}
			return err
		})
	}
	return sums, g.Wait()
}

// sumOf reads one file.
func sumOf(ctx context.Context, fsys fs.FS, name string) (out [sha256.Size]byte, err error) {
	if err := ctx.Err(); err != nil {
		return out, err
	}
	f, err := fsys.Open(name)
	if err != nil {
		return out, err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return out, err
	}
	h.Sum(out[:0])
	return out, nil
}

package bucketfs

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"testing"
	"testing/fstest"

	"gocloud.dev/blob/memblob"
)

// TestFS: the bucket is a file system by the standard library's own rules.
func TestFS(t *testing.T) {
	ctx := context.Background()
	b := memblob.OpenBucket(nil)
	long := bytes.Repeat([]byte("0123456789"), 20_000)
	for name, data := range map[string][]byte{"a.txt": []byte("a"), "empty": nil, "d/long": long, "d/e/f": []byte("f"), "d/e/": nil} {
		if err := b.WriteAll(ctx, name, data, nil); err != nil {
			t.Fatal(err)
		}
	}
	fsys := New(ctx, b)
	if err := fstest.TestFS(fsys, "a.txt", "empty", "d/long", "d/e/f"); err != nil {
		t.Error(err)
	}
	f, err := fsys.Open("d/long")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := f.(io.ReaderAt)
	for _, at := range []struct{ off, n int }{{0, 5}, {HeadSize - 3, 7}, {HeadSize, 10}, {len(long) - 4, 4}, {len(long) - 4, 9}, {len(long), 1}, {len(long) + 5, 1}} {
		got := make([]byte, at.n)
		n, err := r.ReadAt(got, int64(at.off))
		want := long[min(at.off, len(long)):min(at.off+at.n, len(long))]
		if !bytes.Equal(got[:n], want) || (n < at.n) != (err == io.EOF) {
			t.Errorf("%d bytes at %d: %d, %v", at.n, at.off, n, err)
		}
	}
	f.Close()
	release, err := fsys.Hold("d/long")
	if err != nil {
		t.Fatal(err)
	}
	_, before := fsys.Fetched()
	for range 2 {
		if got, err := fs.ReadFile(fsys, "d/long"); err != nil || !bytes.Equal(got, long) {
			t.Errorf("held: %d bytes, %v", len(got), err)
		}
	}
	if _, after := fsys.Fetched(); after != before {
		t.Errorf("%d requests for what is held", after-before)
	}
	release()
	if err := b.Delete(ctx, "d/long"); err != nil {
		t.Fatal(err)
	}
	if _, err := fsys.Open("d/long"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("released and deleted: %v", err)
	}
	if _, err := fsys.Hold("d/long"); err == nil {
		t.Error("what is not there can be held")
	}
}

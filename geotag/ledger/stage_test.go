package ledger

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"pgregory.net/rapid"
)

// offsets notes where writes to a file begin.
type offsets struct {
	file
	at   int64
	odd  int // writes that begin within a line
	fail int // the write that fails, from 1 on; 0 for none
	n    int
}

func (o *offsets) Write(p []byte) (int, error) {
	if o.n++; o.n == o.fail {
		return 0, errBroken
	}
	if o.at%pageSize != 0 {
		o.odd++
	}
	o.at += int64(len(p))
	return o.file.Write(p)
}

var errBroken = errors.New("the disk is broken")

// TestSink: whatever comes in which pieces, the file has it all, the digest is that
// of the file, and no write but the last begins within a line.
func TestSink(t *testing.T) {
	dir := t.TempDir()
	rapid.Check(t, func(t *rapid.T) {
		f, err := os.Create(filepath.Join(dir, "f"))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		o := &offsets{file: f}
		k := newSink(o)
		var all []byte
		src := rand.New(rand.NewPCG(1, rapid.Uint64().Draw(t, "seed")))
		for range rapid.IntRange(0, 6).Draw(t, "parts") {
			n := rapid.SampledFrom([]int{0, 1, 3, pageSize - 1, pageSize, pageSize + 1, 1000, chunkSize - 1, chunkSize, chunkSize + 1, 2*chunkSize + 100}).Draw(t, "size")
			part := make([]byte, n)
			for i := range part {
				part[i] = byte(src.Uint32())
			}
			all = append(all, part...)
			if rapid.Bool().Draw(t, "write") {
				if m, err := k.Write(part); m != n || err != nil {
					t.Fatal(m, err)
				}
			} else if m, err := k.ReadFrom(io.LimitReader(bytes.NewReader(part), int64(n))); m != int64(n) || err != nil {
				t.Fatal(m, err)
			}
		}
		if err := k.end(); err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(f.Name())
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, all) {
			t.Fatalf("%d bytes in the file are not the %d that were put into it", len(got), len(all))
		}
		if k.sum() != digest(sha256.Sum256(all)) || k.meter.n != int64(len(all)) {
			t.Fatal("the digest or the length is not that of the file")
		}
		if o.odd > 0 {
			t.Fatalf("%d of %d writes begin within a line", o.odd, o.n)
		}
	})
}

// TestSinkFails: the first write that fails is the last one.
func TestSinkFails(t *testing.T) {
	for fail := 1; fail <= 3; fail++ {
		f, err := os.Create(filepath.Join(t.TempDir(), "f"))
		if err != nil {
			t.Fatal(err)
		}
		o := &offsets{file: f, fail: fail}
		k := newSink(o)
		_, werr := k.ReadFrom(bytes.NewReader(make([]byte, 2*chunkSize+5)))
		if err := k.end(); !errors.Is(err, errBroken) || o.n != fail {
			t.Errorf("write %d fails: %d writes, %v and at the end %v", fail, o.n, werr, err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"
	"gocloud.dev/blob"
	"gocloud.dev/blob/memblob"

	"example.com/phototie/examples/objectstore/bucketfs"
	"example.com/phototie/geotag/ledger"
	"example.com/phototie/grid/crs"
	"example.com/phototie/match"
	"example.com/phototie/match/dataset"
	"example.com/phototie/match/dataset/demo"
)

// velland is the example job on disk, with what a check of the folder says and a
// corrected copy of it.
var velland = struct {
	once           sync.Once
	dir, corrected string
	result         []byte
	photos         int
	err            error
}{}

func TestMain(m *testing.M) {
	code := m.Run()
	if velland.dir != "" {
		os.RemoveAll(filepath.Dir(velland.dir))
	}
	os.Exit(code)
}

func vellandJob(t *testing.T) {
	t.Helper()
	v := &velland
	v.once.Do(func() { v.err = makeVelland() })
	if v.err != nil {
		t.Fatal(v.err)
	}
}

func makeVelland() error {
	v := &velland
	ctx := context.Background()
	top, err := os.MkdirTemp("", "objectstore")
	if err != nil {
		return err
	}
	v.dir, v.corrected = filepath.Join(top, "job"), filepath.Join(top, "corrected")
	if err := os.Mkdir(v.dir, 0o755); err != nil {
		return err
	}
	itm, err := crs.Open("EPSG:2157")
	if err != nil {
		return err
	}
	made, err := demo.PortVelland(ctx, itm, 1)
	if err != nil {
		return err
	}
	root, err := os.OpenRoot(v.dir)
	if err != nil {
		return err
	}
	defer root.Close()
	if err := demo.Write(ctx, root, made, nil); err != nil {
		return err
	}
	d, err := dataset.Open(ctx, v.dir, crs.OpenGrid)
	if err != nil {
		return err
	}
	defer d.Close()
	// Measuring pixels would take whole objects.
	job, err := d.Check(ctx, dataset.CheckOptions{Pixels: dataset.PixelsNever})
	if err != nil {
		return err
	}
	v.photos = len(job.Photos)
	if v.result, err = json.Marshal(job.Result); err != nil {
		return err
	}
	for _, err := range job.Correct(ctx, dataset.CorrectOptions{Into: v.corrected, Tool: "test"}) {
		if err != nil {
			return err
		}
	}
	return nil
}

// upload puts a folder into a bucket.
func upload(t *testing.T, dir string, b *blob.Bucket) {
	t.Helper()
	err := fs.WalkDir(os.DirFS(dir), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			return err
		}
		return b.WriteAll(context.Background(), name, data, nil)
	})
	if err != nil {
		t.Fatal(err)
	}
}

// download puts a bucket into a folder.
func download(t *testing.T, b *blob.Bucket, dir string) {
	t.Helper()
	it := b.List(nil)
	for {
		o, err := it.Next(context.Background())
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		data, err := b.ReadAll(context.Background(), o.Key)
		if err != nil {
			t.Fatal(err)
		}
		to := filepath.Join(dir, filepath.FromSlash(o.Key))
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// s3 starts a server that speaks S3, on the loopback interface only, and returns
// the URL of a bucket in it. wire counts the bytes of the objects that it sends.
func s3(t *testing.T, bucket string) (url string, wire *int64) {
	t.Helper()
	wire = new(int64)
	backend := s3mem.New()
	if err := backend.CreateBucket(bucket); err != nil {
		t.Fatal(err)
	}
	h := gofakes3.New(backend).Server()
	var mu sync.Mutex
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c := &counted{ResponseWriter: w}
		h.ServeHTTP(c, r)
		if r.Method == http.MethodGet && !r.URL.Query().Has("list-type") {
			mu.Lock()
			*wire += c.n
			mu.Unlock()
		}
	}))
	t.Cleanup(srv.Close)
	if !strings.HasPrefix(srv.URL, "http://127.0.0.1:") {
		t.Fatalf("the server listens on %s", srv.URL)
	}
	t.Setenv("AWS_ACCESS_KEY_ID", "nobody")
	t.Setenv("AWS_SECRET_ACCESS_KEY", "nothing")
	t.Setenv("AWS_CONFIG_FILE", filepath.Join(t.TempDir(), "none"))
	t.Setenv("AWS_SHARED_CREDENTIALS_FILE", filepath.Join(t.TempDir(), "none"))
	t.Setenv("AWS_EC2_METADATA_DISABLED", "true")
	return fmt.Sprintf("s3://%s?region=us-east-1&endpoint=%s&use_path_style=true&prefix=", bucket, srv.URL), wire
}

type counted struct {
	http.ResponseWriter
	n int64
}

func (c *counted) Write(b []byte) (int, error) {
	n, err := c.ResponseWriter.Write(b)
	c.n += int64(n)
	return n, err
}

// TestStores: a dataset in an object store has the result of the same dataset in a
// folder, byte by byte, of its photos only headers are fetched, and the corrected
// copies are those that a folder gets.
func TestStores(t *testing.T) {
	vellandJob(t)
	ctx := context.Background()
	stores := map[string]func(t *testing.T) (src, dst string, wire *int64){
		"file": func(t *testing.T) (string, string, *int64) {
			dir := t.TempDir()
			return "file://" + velland.dir, "file://" + dir + "?metadata=skip", nil
		},
		"s3": func(t *testing.T) (string, string, *int64) {
			url, wire := s3(t, "jobs")
			return url + "velland/", url + "delivery/", wire
		},
	}
	open := func(t *testing.T, url string) *blob.Bucket {
		b, err := blob.OpenBucket(ctx, url)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { b.Close() })
		return b
	}
	test := func(t *testing.T, src, dst *blob.Bucket, wire *int64) {
		fsys := bucketfs.New(ctx, src)
		job, err := dataset.OpenFS(fsys, nil, crs.OpenGrid)
		if err != nil {
			t.Fatal(err)
		}
		survey, res, err := check(ctx, job)
		if err != nil {
			t.Fatal(err)
		}
		got, err := json.Marshal(res)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, velland.result) {
			t.Errorf("the result is not that of the folder:\n%.300s\n%.300s", got, velland.result)
		}
		// One request for each photo, of no more than its head, another for each of
		// the 200 at most that are looked at to see whether points and tags lie in one
		// place, and one for each other file.
		var all, most int64
		for i := range res.Photos {
			info, err := os.Stat(filepath.Join(velland.dir, res.Photos[i].Name))
			if err != nil {
				t.Fatal(err)
			}
			all += info.Size()
			most += 2 * min(info.Size(), bucketfs.HeadSize)
		}
		fetched, requests := fsys.Fetched()
		t.Logf("%d photos of %d bytes: %d bytes fetched in %d requests", velland.photos, all, fetched, requests)
		if n := int64(2*velland.photos + len(job.Files())); requests > n || fetched > most+int64(len(job.Files()))*bucketfs.HeadSize {
			t.Errorf("%d requests, at most %d should do; %d bytes, two heads of each photo are %d", requests, n, fetched, most)
		}
		if wire != nil && *wire != fetched {
			t.Errorf("the server sent %d bytes, %d were counted", *wire, fetched)
		}

		corrections, err := match.Corrections(ctx, job.Projection(), res, survey.Options, match.Policy{})
		if err != nil {
			t.Fatal(err)
		}
		for again := range 2 { // the second run finds all as it is to be
			sum, err := correct(ctx, fsys, job.Files(), corrections, 0, dst)
			if err != nil {
				t.Fatal(err)
			}
			if sum.Corrected == 0 || sum.Corrected+sum.Copied != velland.photos {
				t.Errorf("run %d: %+v", again, sum)
			}
		}
		copied := t.TempDir()
		download(t, dst, copied)
		err = fs.WalkDir(os.DirFS(velland.corrected), ".", func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || name == ledger.FileName {
				return err
			}
			want, err := os.ReadFile(filepath.Join(velland.corrected, name))
			if err != nil {
				return err
			}
			if got, err := os.ReadFile(filepath.Join(copied, name)); err != nil || !bytes.Equal(got, want) {
				t.Errorf("%s is not what a correction into a folder writes: %v", name, err)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		// The ledger takes the copy back to the originals.
		for o, err := range dataset.Restore(ctx, copied, "test", nil, false) {
			if err != nil {
				t.Fatal(err)
			}
			want, err := os.ReadFile(filepath.Join(velland.dir, filepath.FromSlash(o.Photo)))
			if err != nil {
				t.Fatal(err)
			}
			if got, err := os.ReadFile(filepath.Join(copied, filepath.FromSlash(o.Photo))); err != nil || !bytes.Equal(got, want) {
				t.Errorf("%s is not restored: %v, %v", o.Photo, o.Status, err)
			}
		}
		// Nothing of somebody else's is overwritten.
		name := res.Photos[0].Name
		if err := dst.WriteAll(ctx, name, []byte("another"), nil); err != nil {
			t.Fatal(err)
		}
		if _, err := correct(ctx, fsys, job.Files(), corrections, 0, dst); !errors.Is(err, errOther) {
			t.Errorf("over another object: %v", err)
		}
	}
	t.Run("mem", func(t *testing.T) {
		src, dst := memblob.OpenBucket(nil), memblob.OpenBucket(nil)
		upload(t, velland.dir, src)
		test(t, src, dst, nil)
	})
	for name, urls := range stores {
		t.Run(name, func(t *testing.T) {
			from, into, wire := urls(t)
			src := open(t, from)
			if name != "file" {
				upload(t, velland.dir, src)
			}
			test(t, src, open(t, into), wire)
		})
	}
}

// TestHeadsOnly: of photos of the size that cameras make, what is fetched is a
// small part. The example job's photos are small, so each gets 2 MB behind its
// last marker, where some cameras put a second picture.
func TestHeadsOnly(t *testing.T) {
	vellandJob(t)
	ctx := context.Background()
	src := memblob.OpenBucket(nil)
	upload(t, velland.dir, src)
	before, err := dataset.OpenFS(os.DirFS(velland.dir), nil, crs.OpenGrid)
	if err != nil {
		t.Fatal(err)
	}
	names, err := before.PhotoNames(ctx)
	if err != nil {
		t.Fatal(err)
	}
	var all int64
	for i, name := range names {
		if i >= 40 {
			if err := src.Delete(ctx, name); err != nil {
				t.Fatal(err)
			}
			continue
		}
		data, err := src.ReadAll(ctx, name)
		if err != nil {
			t.Fatal(err)
		}
		data = append(data, make([]byte, 2<<20)...)
		all += int64(len(data))
		if err := src.WriteAll(ctx, name, data, nil); err != nil {
			t.Fatal(err)
		}
	}
	fsys := bucketfs.New(ctx, src)
	job, err := dataset.OpenFS(fsys, nil, crs.OpenGrid)
	if err != nil {
		t.Fatal(err)
	}
	_, res, err := check(ctx, job)
	if err != nil {
		t.Fatal(err)
	}
	fetched, requests := fsys.Fetched()
	t.Logf("%d photos of %d bytes: %d bytes fetched in %d requests", len(res.Photos), all, fetched, requests)
	if len(res.Photos) != 40 || fetched > all/15 {
		t.Errorf("%d photos of %d bytes: %d bytes fetched", len(res.Photos), all, fetched)
	}
	if res.Counts[match.Within] == 0 {
		t.Errorf("%v", res.Counts)
	}
}

// TestCutOff: where a photo ends before it should, or the patch is not for it,
// no half-written object appears.
func TestCutOff(t *testing.T) {
	vellandJob(t)
	ctx := context.Background()
	src, dst := memblob.OpenBucket(nil), memblob.OpenBucket(nil)
	upload(t, velland.dir, src)
	fsys := bucketfs.New(ctx, src)
	job, err := dataset.OpenFS(fsys, nil, crs.OpenGrid)
	if err != nil {
		t.Fatal(err)
	}
	survey, res, err := check(ctx, job)
	if err != nil {
		t.Fatal(err)
	}
	corrections, err := match.Corrections(ctx, job.Projection(), res, survey.Options, match.Policy{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range corrections {
		if c.Edit == nil {
			continue
		}
		patch, err := plan(fsys, c.Photo, *c.Edit)
		if err != nil {
			t.Fatal(err)
		}
		data, err := src.ReadAll(ctx, c.Photo)
		if err != nil {
			t.Fatal(err)
		}
		if err := src.WriteAll(ctx, c.Photo, data[:len(data)-1], nil); err != nil {
			t.Fatal(err)
		}
		if _, err := write(ctx, fsys, dst, c.Photo, patch); err == nil {
			t.Error("a patch was applied to another photo")
		}
		if there, err := dst.Exists(ctx, c.Photo); err != nil || there {
			t.Errorf("an object appeared: %v", err)
		}
		return
	}
	t.Fatal("nothing to correct")
}

// TestRun: the program as a user calls it.
func TestRun(t *testing.T) {
	vellandJob(t)
	var out bytes.Buffer
	from, into := t.TempDir(), t.TempDir()
	if err := os.CopyFS(from, os.DirFS(velland.dir)); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(from, "photos", "beside.XMP"), []byte("<x/>"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := run(context.Background(), []string{"-into", "file://" + into + "?metadata=skip", "file://" + from}, &out); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(into, "photos", "beside.XMP")); err != nil {
		t.Errorf("the side-car was left behind: %v", err)
	}
	t.Log(out.String())
	for _, want := range []string{" within\n", " gross\n", "bytes fetched in", " corrected, "} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is missing from\n%s", want, &out)
		}
	}
	for _, args := range [][]string{nil, {"-into", "mem://", "mem://"}, {"nowhere://"}} {
		if err := run(context.Background(), args, io.Discard); err == nil {
			t.Errorf("%v: no error", args)
		}
	}
}

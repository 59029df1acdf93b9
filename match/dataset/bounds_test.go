package dataset

import (
	"errors"
	"io/fs"
	"runtime"
	"strings"
	"testing"
	"testing/fstest"
)

// endless is a file of a size that holds the same text again and again, without
// taking the memory for it.
type endless struct {
	fs.FileInfo
	head, text string
	size, at   int64
}

func (e *endless) Stat() (fs.FileInfo, error) { return e.FileInfo, nil }
func (e *endless) Close() error               { return nil }
func (e *endless) Read(p []byte) (int, error) {
	if e.at >= e.size {
		return 0, errors.New("read to the end")
	}
	n := 0
	if e.at < int64(len(e.head)) {
		n = copy(p, e.head[e.at:])
	}
	for n < len(p) {
		n += copy(p[n:], e.text)
	}
	e.at += int64(n)
	return n, nil
}

// endlessFS has one endless file beside the usual ones.
type endlessFS struct {
	fstest.MapFS
	name, head, text string
	opened           *endless
}

func (f *endlessFS) Open(name string) (fs.File, error) {
	file, err := f.MapFS.Open(name)
	if err != nil || name != f.name {
		return file, err
	}
	info, err := file.Stat()
	f.opened = &endless{FileInfo: info, head: f.head, text: f.text, size: 1 << 30}
	return f.opened, err
}

// TestMemoryIsBounded: a file of a gibibyte that is one line, one quote, one row
// of a million fields, or settings without end, is refused with its name once
// some of it is read, and takes some MiB.
func TestMemoryIsBounded(t *testing.T) {
	const settings = "[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n"
	for _, tt := range []struct{ name, file, head, text, want string }{
		{"settings, a comment", SettingsFile, settings + "# ", "x", "larger than 64 KiB"},
		{"settings, tables", SettingsFile, settings, "[a]\nb=1\n", "larger than 64 KiB"},
		{"links, one line", "links.csv", "photo,point\n", "x", "links.csv:2: a row takes more than 1024 KiB"},
		{"links, one quote", "links.csv", "photo,point\n\"", "x\n", "a row takes more than 1024 KiB"},
		{"links, many fields", "links.csv", "photo,point\na", ",", "a row takes more than 1024 KiB"},
		{"links, a header", "links.csv", "", "photo,", "a row takes more than 1024 KiB"},
		{"points, one line", "points.csv", "id,easting,northing\nA,", "x", "points.csv:1: a row after this line does not end"},
		{"points, one quote", "points.csv", "id,easting,northing\n\"", "x\n", "points.csv:1: a row after this line does not end"},
		{"points, many fields", "points.csv", "id,easting,northing\nA", ",", "points.csv:1: a row after this line does not end"},
		{"points, a header", "points.csv", "", "easting,", "points.csv:1"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			fsys := &endlessFS{MapFS: fstest.MapFS{
				SettingsFile: {Data: []byte(settings)},
				"points.csv": {Data: []byte("id,easting,northing\nA,1,2\n")},
				"links.csv":  {Data: []byte("photo,point\n")},
			}, name: tt.file, head: tt.head, text: tt.text}
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			d, err := OpenFS(fsys, nil, onPlane)
			if err == nil {
				if tt.file == "links.csv" {
					_, _, _, err = d.links(nil, nil, nil)
				} else {
					_, _, _, err = d.Points(t.Context())
				}
				d.Close()
			}
			runtime.ReadMemStats(&after)
			if err == nil || !strings.Contains(err.Error(), tt.file) || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want %q", err, tt.want)
			}
			if n := after.TotalAlloc - before.TotalAlloc; n > 256<<20 || fsys.opened.at > 2<<20 {
				t.Errorf("%d MiB allocated, %d MiB read", n>>20, fsys.opened.at>>20)
			} else {
				t.Logf("%d KiB allocated, %d KiB read: %.200v", n>>10, fsys.opened.at>>10, err)
			}
		})
	}
}

// TestLinksAreBounded: more links than a check can hold are refused with their number.
func TestLinksAreBounded(t *testing.T) {
	defer func(n, text int) { mostLinks, mostLinkText = n, text }(mostLinks, mostLinkText)
	for _, c := range []struct {
		most, text int
		want       string
	}{{3, 1 << 20, ""}, {2, 1 << 20, "links.csv:4: there are more than 2 links"}, {3, 16, "links.csv:3: there are more than 3 links, or their names take"}} {
		mostLinks, mostLinkText = c.most, c.text
		fsys := fstest.MapFS{"links.csv": {Data: []byte("photo,point\na/1.jpg,A1\na/2.jpg,A2\na/3.jpg,A3\n")}}
		links, _, err := readLinks(fsys, LinkSettings{File: "links.csv"})
		switch {
		case c.want == "" && (err != nil || len(links) != 3):
			t.Errorf("%+v: %d links, %v", c, len(links), err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%+v: %v", c, err)
		}
	}
}

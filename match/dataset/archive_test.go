package dataset

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.com/phototie/grid"
)

// member is one of a ZIP that is made for a test.
type member struct {
	name string
	mode fs.FileMode
	text string
	edit func(*zip.FileHeader)
}

func zipOf(t testing.TB, members ...member) []byte {
	t.Helper()
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	for _, m := range members {
		h := &zip.FileHeader{Name: m.name, Method: zip.Deflate}
		h.SetMode(m.mode | 0o644)
		if m.edit != nil {
			m.edit(h)
		}
		f, err := w.CreateHeader(h)
		if err == nil {
			_, err = f.Write([]byte(m.text))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// openZIP opens bytes as a ZIP, in a folder for temporary files of its own; left says
// what is in that.
func openZIP(t testing.TB, data []byte) (d *Dataset, file string, left func() []string, err error) {
	t.Helper()
	temp := t.TempDir()
	t.Setenv("TMPDIR", temp)
	return openIn(t, temp, t.TempDir(), data)
}

func openIn(t testing.TB, temp, folder string, data []byte) (d *Dataset, file string, left func() []string, err error) {
	file = filepath.Join(folder, "job.zip")
	if err := os.WriteFile(file, data, 0o644); err != nil {
		t.Fatal(err)
	}
	d, err = OpenFolder(context.Background(), file, nil)
	return d, file, func() []string {
		found, err := filepath.Glob(filepath.Join(temp, "*"))
		if err != nil {
			t.Fatal(err)
		}
		return found
	}, err
}

// files lists the files that a dataset has, as links in names of links would.
func files(t testing.TB, d *Dataset) []string {
	t.Helper()
	var out []string
	err := fs.WalkDir(os.DirFS(d.Dir()), ".", func(name string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			out = append(out, name)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestZIPUnpacked(t *testing.T) {
	raw := func(h *zip.FileHeader) { h.NonUTF8 = true }
	for _, tt := range []struct {
		name    string
		members []member
		want    string
	}{
		{"files", []member{{name: "points.csv", text: "x"}, {name: "p/a.jpg"}}, "p/a.jpg points.csv"},
		{"all in one folder, with what a Mac adds", []member{{name: "job/", mode: fs.ModeDir}, {name: "job/points.csv"}, {name: "job/p/a.jpg"}, {name: "__MACOSX/job/._points.csv"}, {name: ".DS_Store"}}, "p/a.jpg points.csv"},
		{"UTF-8, stated or not", []member{{name: "Büro.csv"}, {name: "Straße.csv", edit: raw}}, "Büro.csv Straße.csv"},
		// IBM's code page 437: 0x81 is ü, 0x8E Ä (APPNOTE.TXT, appendix D).
		{"code page 437", []member{{name: "B\x81ro.csv", edit: raw}, {name: "\x8e.csv", edit: raw}}, "Büro.csv Ä.csv"},
		{"backslashes", []member{{name: `p\a.jpg`}, {name: "points.csv"}}, "p/a.jpg points.csv"},
		{"nothing", nil, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d, file, left, err := openZIP(t, zipOf(t, tt.members...))
			if err != nil {
				t.Fatal(err)
			}
			if got := strings.Join(files(t, d), " "); got != tt.want {
				t.Errorf("%q, want %q", got, tt.want)
			}
			if d.Archive() != file || len(left()) != 1 {
				t.Errorf("archive %q, %q", d.Archive(), left())
			}
			if err := d.Close(); err != nil || len(left()) != 0 {
				t.Errorf("left behind: %q, %v", left(), err)
			}
		})
	}
}

func TestZIPRefused(t *testing.T) {
	good := zipOf(t, member{name: "points.csv", text: strings.Repeat("A,1,2\n", 1000)})
	damaged := slices.Clone(good)
	damaged[60] ^= 0xff
	// Directory entries that state 1 GiB, with the sizes of the zip64 extension unused.
	claims := slices.Clone(good)
	at := bytes.LastIndex(claims, []byte("PK\x01\x02"))
	binary.LittleEndian.PutUint32(claims[at+24:], 1<<30)
	short := slices.Clone(good)
	binary.LittleEndian.PutUint32(short[at+24:], 5)
	for _, tt := range []struct {
		name string
		data []byte
		want string
	}{
		{"no ZIP", []byte("id,easting,northing\n"), "job.zip: it is neither a folder nor a ZIP"},
		{"cut", good[:len(good)-40], "job.zip: the ZIP is cut off or damaged"},
		{"damaged", damaged, `job.zip: member "points.csv": `},
		{"leads out", zipOf(t, member{name: "../evil.csv"}), `member "../evil.csv": its name is no path inside`},
		{"leads out later", zipOf(t, member{name: "a/../../evil.csv"}), "its name is no path inside"},
		{"leads out by backslashes", zipOf(t, member{name: `..\evil.csv`}), "its name is no path inside"},
		{"absolute", zipOf(t, member{name: "/etc/evil.csv"}), "its name is no path inside"},
		{"a link", zipOf(t, member{name: "points.csv", mode: fs.ModeSymlink, text: "/etc/passwd"}), `member "points.csv": it is no ordinary file`},
		{"a device", zipOf(t, member{name: "points.csv", mode: fs.ModeDevice}), "no ordinary file (a device)"},
		{"encrypted", zipOf(t, member{name: "points.csv", edit: func(h *zip.FileHeader) { h.Flags |= 1 }}), "it is encrypted"},
		{"twice", zipOf(t, member{name: "a.csv"}, member{name: "a.csv"}), `member "a.csv": there are two of that name`},
		{"a file as a folder", zipOf(t, member{name: "a"}, member{name: "a/b.csv"}), `member "a/b.csv": `},
		{"claims too much", claims, "which is too much for a ZIP of"},
		{"has more than it claims", short, `member "points.csv": `},
		{"unknown method", bytes.ReplaceAll(good, []byte{0x14, 0, 8, 0, 8, 0}, []byte{0x14, 0, 8, 0, 99, 0}), "unsupported compression"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d, file, left, err := openZIP(t, tt.data)
			if err == nil {
				d.Close()
				t.Fatal("it is taken")
			}
			if p := (*Problem)(nil); !errors.As(err, &p) || p.File != file || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%v", err)
			}
			if len(left()) > 0 {
				t.Errorf("left behind: %q", left())
			}
		})
	}
	t.Run("interrupted", func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		temp, file := t.TempDir(), filepath.Join(t.TempDir(), "job.zip")
		t.Setenv("TMPDIR", temp)
		if err := os.WriteFile(file, good, 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := OpenFolder(ctx, file, nil); !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
		if found, err := os.ReadDir(temp); err != nil || len(found) > 0 {
			t.Error(found, err)
		}
	})
}

// The list of members is read to a bound, however long the file is.
func TestZIPListIsBounded(t *testing.T) {
	r := &limitedReader{ReaderAt: strings.NewReader(strings.Repeat("x", 100)), left: 50}
	if _, err := r.ReadAt(make([]byte, 40), 0); err != nil {
		t.Error(err)
	}
	if _, err := r.ReadAt(make([]byte, 40), 40); err == nil {
		t.Error("it reads on")
	}
	many := &zip.Reader{File: make([]*zip.File, mostMembers+1)}
	if err := new(unpacking).bounded(many, 1<<40); err == nil || !strings.Contains(err.Error(), "members, more than") {
		t.Error(err)
	}
}

// The settings of a ZIP lie in it or beside it, and then what they name may too.
func TestZIPSettings(t *testing.T) {
	const settings = "[grid]\ncrs = \"EPSG:2157\"\n[points]\nfile = \"points.csv\"\n[links]\nfile = \"links.csv\"\n"
	noGrid := func(string, grid.OpenOptions) (grid.Projection, error) { return nil, errors.New("no grid here") }
	for _, tt := range []struct {
		name    string
		members []member
		beside  map[string]string
		want    string // of the files, or of the error
	}{
		{"inside", []member{{name: "phototie.toml", text: settings}, {name: "points.csv"}}, map[string]string{"links.csv": "not to be read"}, "has phototie.toml points.csv"},
		{"beside", []member{{name: "points.csv"}}, map[string]string{"job.toml": settings, "links.csv": "photo,point\n", "points.csv": "others"}, "has links.csv phototie.toml points.csv"},
		{"both", []member{{name: "phototie.toml", text: settings}}, map[string]string{"job.toml": settings}, "job.toml: .*job.zip has settings of its own"},
		{"none", []member{{name: "points.csv"}}, nil, "job.toml: there is no such file"},
		{"wrong", []member{{name: "points.csv"}}, map[string]string{"job.toml": "[grid]\nname = 3\n"}, "job.toml:2:1"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d, file, _, err := openZIP(t, zipOf(t, tt.members...))
			if err != nil {
				t.Fatal(err)
			}
			defer d.Close()
			for name, text := range tt.beside {
				if err := os.WriteFile(filepath.Join(filepath.Dir(file), name), []byte(text), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			err = d.Settle(noGrid)
			said := fmt.Sprint(err)
			if strings.Contains(said, "no grid here") {
				said = "has " + strings.Join(files(t, d), " ")
				if text, err := os.ReadFile(filepath.Join(d.Dir(), "points.csv")); err != nil || len(text) > 0 {
					t.Errorf("points from beside: %s %v", text, err)
				}
			}
			if i := strings.Index(tt.want, ".*"); i >= 0 && (!strings.Contains(said, tt.want[:i]) || !strings.Contains(said, tt.want[i+2:])) || i < 0 && !strings.Contains(said, tt.want) {
				t.Errorf("%s", said)
			}
			if err := d.GuardFile(file, nil); err == nil {
				t.Error("the ZIP may be written over")
			}
			if err := d.GuardFile(filepath.Join(filepath.Dir(file), "job.toml"), nil); err == nil && len(tt.beside) > 1 {
				t.Error("the settings may be written over")
			}
		})
	}
}

// Whatever a ZIP holds, what is unpacked are ordinary files in the folder for temporary
// files, and they go again.
func FuzzZIP(f *testing.F) {
	f.Add(zipOf(f, member{name: "job/points.csv", text: "A,1,2\n"}, member{name: "job/p/a.jpg"}))
	f.Add(zipOf(f, member{name: "../a"}, member{name: "b", mode: fs.ModeSymlink, text: "/"}))
	f.Add(zipOf(f, member{name: "B\x81ro", edit: func(h *zip.FileHeader) { h.NonUTF8 = true }}, member{name: `a\b`}))
	temp, folder := f.TempDir(), f.TempDir()
	f.Setenv("TMPDIR", temp)
	f.Fuzz(func(t *testing.T, data []byte) {
		d, file, left, err := openIn(t, temp, folder, data)
		if err == nil {
			for _, name := range files(t, d) {
				if info, err := os.Lstat(filepath.Join(d.Dir(), name)); err != nil || !info.Mode().IsRegular() {
					t.Errorf("%s: %v %v", name, info, err)
				}
			}
			err = d.Close()
			if err != nil {
				t.Fatal(err)
			}
		} else if p := (*Problem)(nil); !errors.As(err, &p) {
			t.Errorf("%T %v", err, err)
		}
		if there, err := os.ReadDir(filepath.Dir(file)); err != nil || len(there) != 1 {
			t.Errorf("beside the ZIP: %v %v", there, err)
		}
		if len(left()) > 0 {
			t.Errorf("left behind: %q", left())
		}
	})
}

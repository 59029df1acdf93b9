package delivery

import (
	"errors"
	"io/fs"
	"slices"
	"testing"
	"testing/fstest"
)

func TestView(t *testing.T) {
	base := fstest.MapFS{"in/a.jpg": {Data: []byte("A")}, "in/b.jpg": {Data: []byte("B")}, "secret": {Data: []byte("S")}}
	v := newView(base, map[string]string{"p/x/1.jpg": "in/a.jpg", "p/2.jpg": "in/b.jpg"}, map[string][]byte{"t.txt": []byte("text")})
	var all []string
	if err := fs.WalkDir(v, ".", func(name string, e fs.DirEntry, err error) error {
		if e.IsDir() {
			name += "/"
		}
		all = append(all, name)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if want := []string{"./", "p/", "p/2.jpg", "p/x/", "p/x/1.jpg", "t.txt"}; !slices.Equal(all, want) {
		t.Errorf("got %q, want %q", all, want)
	}
	for name, want := range map[string]string{"p/x/1.jpg": "A", "p/2.jpg": "B", "t.txt": "text"} {
		if got, err := fs.ReadFile(v, name); err != nil || string(got) != want {
			t.Errorf("%s: %q, %v", name, got, err)
		}
	}
	for _, name := range []string{"secret", "in/a.jpg", "p/3.jpg"} {
		if _, err := v.Open(name); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := v.Open("../x"); !errors.Is(err, fs.ErrInvalid) {
		t.Error(err)
	}
	// The texts and folders are a sound file system; of photos the names are those
	// of the base, which nothing reads.
	if err := fstest.TestFS(newView(base, nil, map[string][]byte{"a/b/c.txt": []byte("x"), "d": nil}), "a/b/c.txt", "d"); err != nil {
		t.Error(err)
	}
}
